#include "node.h"

#include <string.h>

/* For trying longthrow node-check: a number builds a node that breaks that line of WIRE.md. */
#ifndef NODE_BREAKS_LINE
#define NODE_BREAKS_LINE 0
#endif
#define BREAKS(line) (NODE_BREAKS_LINE == (line))

enum { FORM = 1, END = 192, ESC = 219, ESC_END = 220, ESC_ESC = 221, MS = 1000 };
enum {
    BEAT_US = 250 * MS,
    HELLO_US = 1000 * MS,
    LOST_US = 1000 * MS,
    FLASH_US = 500 * MS,
    REPEAT_US = 1500 * MS, /* a round of states; 2 s at most */
    MOVE_US = 20 * MS      /* a moving control, at most 50 times a second */
};

/* ---- OSC out ---- */

struct writer {
    uint8_t bytes[NODE_OUT_MAX];
    size_t length;
    int full;
};

static void put(struct writer *w, const void *bytes, size_t length)
{
    if (w->length + length > sizeof w->bytes) {
        w->full = 1;
        return;
    }
    memcpy(w->bytes + w->length, bytes, length);
    w->length += length;
}

static void put_text(struct writer *w, const char *text)
{
    static const uint8_t zeros[4] = {0, 0, 0, 0};
    size_t length = strlen(text);
    put(w, text, length);
    put(w, zeros, 4 - length % 4);
}

static void put_int(struct writer *w, int32_t number)
{
    uint32_t n = (uint32_t)number;
    uint8_t bytes[4] = {(uint8_t)(n >> 24), (uint8_t)(n >> 16), (uint8_t)(n >> 8), (uint8_t)n};
    put(w, bytes, 4);
}

static void put_float(struct writer *w, float number)
{
    int32_t bits;
    memcpy(&bits, &number, 4);
    put_int(w, bits);
}

static void begin(struct writer *w, const char *address, const char *tags)
{
    w->length = 0;
    w->full = 0;
    put_text(w, address);
    put_text(w, tags);
}

static size_t room(const struct node *node)
{
    return NODE_QUEUE - node->queue_length;
}

static void queue_byte(struct node *node, uint8_t byte)
{
    node->queue[(node->queue_first + node->queue_length++) % NODE_QUEUE] = byte;
}

static void send(struct node *node, const struct writer *w)
{
    size_t i;
    if (w->full || room(node) < w->length + 2) {
        node->dropped++;
        return;
    }
    queue_byte(node, (uint8_t)(w->length >> 8));
    queue_byte(node, (uint8_t)w->length);
    for (i = 0; i < w->length; i++)
        queue_byte(node, w->bytes[i]);
}

static uint8_t unqueue(struct node *node)
{
    uint8_t byte = node->queue[node->queue_first];
    node->queue_first = (node->queue_first + 1) % NODE_QUEUE;
    node->queue_length--;
    return byte;
}

size_t node_take(struct node *node, uint8_t *out)
{
    size_t length, at = 0;
    if (node->queue_length == 0)
        return 0;
    length = (size_t)unqueue(node) << 8;
    length |= unqueue(node);
    if (node->panel->serial && !BREAKS(1))
        out[at++] = END;
    while (length-- > 0) {
        uint8_t byte = unqueue(node);
        if (node->panel->serial && (byte == END || byte == ESC)) {
            out[at++] = ESC;
            byte = byte == END ? ESC_END : ESC_ESC;
        }
        out[at++] = byte;
    }
    if (node->panel->serial)
        out[at++] = END;
    return at;
}

/* ---- what the node says ---- */

static void refuse(struct node *node, const char *address, const char *reason)
{
    struct writer w;
    begin(&w, "/node/refused", ",ss");
    put_text(&w, address);
    put_text(&w, reason);
    send(node, &w);
}

static void say_hello(struct node *node)
{
    const struct node_panel *panel = node->panel;
    char words[32] = "raw";
    struct writer w;
    if (panel->lamp_count > 0)
        strcat(words, " lamps");
    if (panel->contact_count > 0)
        strcat(words, " contacts");
    begin(&w, "/node/hello", ",iiissiii");
    put_int(&w, FORM);
    put_int(&w, panel->slot);
    put_int(&w, node->boot);
    put_text(&w, panel->maker);
    put_text(&w, words);
    put_int(&w, panel->control_count);
    put_int(&w, panel->lamp_count + (BREAKS(4) ? 1 : 0));
    put_int(&w, panel->contact_count);
    send(node, &w);
}

static uint32_t uptime_ms(const struct node *node)
{
    uint64_t ms = (node->now_us - node->started_us) / MS;
    return (uint32_t)(BREAKS(7) ? 2 * ms : ms) & 0x7FFFFFFF;
}

static void say_beat(struct node *node)
{
    struct writer w;
    begin(&w, "/node/beat", ",iiiii");
    put_int(&w, node->boot + (BREAKS(5) ? 1 : 0));
    put_int(&w, node->sequence - (BREAKS(9) ? 1 : 0));
    put_int(&w, (int32_t)uptime_ms(node));
    put_int(&w, 0);
    put_int(&w, BREAKS(20) ? 0 : node->lost);
    send(node, &w);
}

static int32_t next_number(struct node *node)
{
    node->sequence = node->sequence == INT32_MAX ? 0 : node->sequence + 1;
    if (BREAKS(8) && node->sequence % 8 == 7)
        node->sequence++;
    return node->sequence;
}

static void say_moved(struct node *node, int control)
{
    struct writer w;
    begin(&w, node->panel->controls[control].address, ",fi");
    put_float(&w, node->value[control]);
    put_int(&w, next_number(node));
    send(node, &w);
    node->waits[control] = 0;
    node->sent_us[control] = node->now_us;
}

static void say_state(struct node *node, int control)
{
    int steps = node->panel->controls[control].kind == NODE_STEPS;
    struct writer w;
    begin(&w, "/node/state", ",sfi");
    put_text(&w, node->panel->controls[control].address);
    put_float(&w, steps ? 0.0f : node->value[control] + (BREAKS(16) ? 1.5f : 0.0f));
    put_int(&w, next_number(node));
    if (BREAKS(2))
        put_int(&w, 0);
    send(node, &w);
}

/* ---- lamps and contacts ---- */

float node_lamp(const struct node *node, int lamp)
{
    if (node->lost)
        return (node->now_us - node->lost_us) / FLASH_US % 2 == 0 && !BREAKS(19) ? 1.0f : 0.0f;
    return BREAKS(17) ? 1.0f - node->level[lamp] : node->level[lamp];
}

int node_contact_closed(const struct node *node, int contact)
{
    const struct node_contact *c = &node->contact[contact];
    if (c->pulsing)
        return 1;
    if (!c->told_once)
        return 0;
    if (BREAKS(22) && !node->lost)
        return 0;
    return node->lost && !BREAKS(23) ? c->safe : c->told;
}

static void say_done(struct node *node, int contact)
{
    const struct node_contact *c = &node->contact[contact];
    struct writer w;
    begin(&w, "/node/pulse/done", ",sii");
    put_text(&w, node->panel->contacts[contact]);
    put_int(&w, c->done_number);
    put_int(&w, c->done_width_ms);
    send(node, &w);
}

static void end_pulses(struct node *node)
{
    int i;
    for (i = 0; i < node->panel->contact_count; i++) {
        struct node_contact *c = &node->contact[i];
        uint64_t us = node->now_us - c->since_us;
        uint64_t width_us = (uint64_t)c->width_ms * MS;
        if (BREAKS(24))
            width_us += width_us / 2;
        if (!c->pulsing || (us < width_us && !(BREAKS(27) && node->lost)))
            continue;
        c->pulsing = 0;
        c->done = 1;
        c->done_number = c->number;
        c->done_width_ms = (int32_t)((us + MS / 2) / MS);
        say_done(node, i);
    }
}

static void pulse(struct node *node, int contact, int32_t number, int32_t width_ms)
{
    struct node_contact *c = &node->contact[contact];
    if (c->pulsing) {
        if (number != c->number)
            refuse(node, "/node/pulse", "busy");
    } else if (c->done && number == c->done_number && !BREAKS(25)) {
        say_done(node, contact);
    } else if ((width_ms < 20 || width_ms > 2000) && !BREAKS(26)) {
        refuse(node, "/node/pulse", "range");
    } else {
        c->pulsing = 1;
        c->number = number;
        c->width_ms = width_ms;
        c->since_us = node->now_us;
    }
}

/* Says the next lamp or contact of those asked for, or the end. */
static void say_shown(struct node *node)
{
    const struct node_panel *panel = node->panel;
    int at = node->shown_at, contact = at - panel->lamp_count;
    struct writer w;
    if (at < panel->lamp_count) {
        begin(&w, "/node/shown", ",sf");
        put_text(&w, panel->lamps[at]);
        put_float(&w, node_lamp(node, at));
    } else if (contact < panel->contact_count) {
        begin(&w, "/node/contact/shown", ",si");
        put_text(&w, panel->contacts[contact]);
        put_int(&w, node_contact_closed(node, contact));
    } else {
        begin(&w, "/node/shown/end", ",ii");
        put_int(&w, node->shown_token);
        put_int(&w, at);
    }
    send(node, &w);
    node->shown_at = contact < panel->contact_count ? at + 1 : -1;
}

/* ---- raw samples ---- */

static void raw_send(struct node *node)
{
    struct writer w;
    int i;
    begin(&w, "/node/raw", ",iiib");
    put_int(&w, node->raw_token);
    put_int(&w, (int32_t)node->raw_index);
    put_int(&w, (int32_t)(BREAKS(29) ? node->raw_us / MS : node->raw_us));
    put_int(&w, 2 * node->raw_held);
    for (i = 0; i < node->raw_held; i++) {
        uint16_t sample = BREAKS(30) ? (uint16_t)(node->raw[i] | 0x8000) : node->raw[i];
        uint8_t bytes[2] = {(uint8_t)(sample >> 8), (uint8_t)sample};
        put(&w, bytes, 2);
    }
    while (w.length % 4 != 0)
        put(&w, "", 1);
    if (room(node) < w.length + 256) /* beats, edges and answers go first */
        node->raw_missed += (uint32_t)node->raw_held;
    else {
        send(node, &w);
        node->raw_sent += (uint32_t)node->raw_held;
    }
    node->raw_held = 0;
}

static void raw_tick(struct node *node)
{
    struct writer w;
    while (node->raw_control >= 0 && node->raw_taken < node->raw_wanted) {
        uint64_t due = node->raw_start_us + (uint64_t)node->raw_taken * 1000000 / (uint32_t)node->raw_rate;
        if (due > node->now_us)
            return;
        if (node->raw_held == 0) {
            node->raw_index = node->raw_taken;
            node->raw_us = (uint32_t)(due - node->started_us);
        }
        node->raw[node->raw_held++] = node->panel->sample(node->panel->context, node->raw_control, due);
        node->raw_taken++;
        if (node->raw_held == 128 || node->raw_taken == node->raw_wanted)
            raw_send(node);
    }
    if (node->raw_control < 0)
        return;
    begin(&w, "/node/raw/end", ",iii");
    put_int(&w, node->raw_token);
    put_int(&w, (int32_t)node->raw_sent);
    put_int(&w, (int32_t)node->raw_missed);
    send(node, &w);
    node->raw_control = -1;
}

static void raw_ask(struct node *node, int32_t token, const char *address, int32_t rate, int32_t ms)
{
    const struct node_panel *panel = node->panel;
    int control = 0;
    struct writer w;
    while (control < panel->control_count && strcmp(address, panel->controls[control].address) != 0)
        control++;
    if (node->raw_control >= 0) {
        if (!BREAKS(31))
            refuse(node, "/node/raw/ask", "busy");
        return;
    }
    if (control == panel->control_count) {
        if (!BREAKS(32))
            refuse(node, "/node/raw/ask", "unknown");
        return;
    }
    if (rate < 10 || rate > 1000 || ms < 10 || ms > 60000) {
        refuse(node, "/node/raw/ask", "range");
        return;
    }
    node->raw_control = control;
    node->raw_token = token;
    node->raw_rate = rate;
    node->raw_wanted = (uint32_t)((int64_t)rate * ms / 1000);
    if (BREAKS(28))
        node->raw_wanted /= 2;
    node->raw_taken = node->raw_sent = node->raw_missed = 0;
    node->raw_held = 0;
    node->raw_start_us = node->now_us;
    begin(&w, "/node/raw/begin", ",isii");
    put_int(&w, token);
    put_text(&w, address);
    put_int(&w, rate);
    put_int(&w, panel->bits);
    send(node, &w);
}

/* ---- OSC in ---- */

enum { ARGUMENTS_MAX = 4 };

struct message {
    const char *address, *tags; /* tags without the comma */
    union {
        int32_t i;
        float f;
        const char *s;
    } argument[ARGUMENTS_MAX];
};

/* A text with its padding, or 0; the place moves behind it. */
static const char *take_text(const uint8_t *packet, size_t length, size_t *at)
{
    const char *text = (const char *)packet + *at;
    size_t end = *at;
    while (end < length && packet[end] != 0)
        end++;
    if (end == length)
        return 0;
    for (*at = end - end % 4 + 4; end < *at; end++)
        if (packet[end] != 0)
            return 0;
    return text;
}

/* Reads a packet of a length that divides by four. Says whether it is sound and of a kind that the desk sends. */
static int parse(const uint8_t *packet, size_t length, struct message *m)
{
    size_t at = 0, count;
    if (length == 0 || length > NODE_IN_MAX || length % 4 != 0 || packet[0] != '/')
        return 0;
    m->address = take_text(packet, length, &at);
    if (m->address == 0 || at >= length || packet[at] != ',')
        return 0;
    m->tags = take_text(packet, length, &at);
    if (m->tags == 0)
        return 0;
    m->tags++;
    for (count = 0; m->tags[count] != 0; count++) {
        if (count == ARGUMENTS_MAX)
            return 0;
        if (m->tags[count] == 's') {
            m->argument[count].s = at < length ? take_text(packet, length, &at) : 0;
            if (m->argument[count].s == 0)
                return 0;
        } else if (m->tags[count] == 'i' || m->tags[count] == 'f') {
            uint32_t bits;
            if (length - at < 4)
                return 0;
            bits = (uint32_t)packet[at] << 24 | (uint32_t)packet[at + 1] << 16 | (uint32_t)packet[at + 2] << 8
                 | packet[at + 3];
            if (m->tags[count] == 'f' && (bits & 0x7F800000) == 0x7F800000)
                return 0; /* infinite, or no number */
            memcpy(&m->argument[count], &bits, 4);
            at += 4;
        } else {
            return 0;
        }
    }
    return at == length && strlen(m->address) <= NODE_NAME_MAX;
}

static int find(const char *name, const char *const *names, int count)
{
    int i;
    for (i = 0; i < count; i++)
        if (strcmp(name, names[i]) == 0)
            return i;
    return -1;
}

static void hear_beat(struct node *node, int32_t count)
{
    node->beats_heard++;
    if (node->heard && count > node->desk_count + 1 && count - node->desk_count < 1000)
        node->beats_missed += (uint32_t)(count - node->desk_count - 1);
    node->desk_count = count;
    node->heard = 1;
    node->heard_us = node->now_us;
    if (node->lost) {
        struct writer w;
        node->lost = 0;
        begin(&w, "/node/lamps/ask", ",i");
        put_int(&w, node->boot);
        if (!BREAKS(21))
            send(node, &w);
    }
}

static void hear_level(struct node *node, int lamp, float level)
{
    level = level < 0.0f ? 0.0f : level > 1.0f ? 1.0f : level;
    if (BREAKS(18) && level == node->level[lamp])
        level = 1.0f - level;
    node->level[lamp] = level;
}

static void hear(struct node *node, const struct message *m)
{
    static const struct {
        const char *address, *tags;
    } known[] = {{"/node/hello/ask", "i"}, {"/node/beat", "i"},    {"/node/state/ask", "i"}, {"/node/shown/ask", "i"},
                 {"/node/contact", "sii"}, {"/node/pulse", "sii"}, {"/node/raw/ask", "isii"}};
    const struct node_panel *panel = node->panel;
    int lamp = find(m->address, panel->lamps, panel->lamp_count), which = 0, contact;
    while (which < 7 && strcmp(m->address, known[which].address) != 0)
        which++;
    if (lamp < 0 && which == 7) {
        if (!BREAKS(11))
            refuse(node, m->address, "unknown");
        return;
    }
    if (strcmp(m->tags, lamp >= 0 ? "f" : known[which].tags) != 0) {
        if (!BREAKS(12))
            refuse(node, m->address, "arguments");
        return;
    }
    if (lamp >= 0) {
        hear_level(node, lamp, m->argument[0].f);
        return;
    }
    switch (which) {
    case 0:
        if (m->argument[0].i == FORM ? !BREAKS(3) : !BREAKS(10))
            say_hello(node);
        break;
    case 1:
        hear_beat(node, m->argument[0].i);
        break;
    case 2:
        node->state_at = 0;
        node->state_token = m->argument[0].i;
        break;
    case 3:
        node->shown_at = 0;
        node->shown_token = m->argument[0].i;
        break;
    case 6:
        raw_ask(node, m->argument[0].i, m->argument[1].s, m->argument[2].i, m->argument[3].i);
        break;
    default:
        contact = find(m->argument[0].s, panel->contacts, panel->contact_count);
        if (contact < 0) {
            refuse(node, m->address, "unknown");
        } else if (which == 5) {
            pulse(node, contact, m->argument[1].i, m->argument[2].i);
        } else {
            node->contact[contact].told = m->argument[1].i != 0;
            node->contact[contact].safe = m->argument[2].i != 0;
            node->contact[contact].told_once = 1;
        }
    }
}

int node_packet(struct node *node, const uint8_t *packet, size_t length, uint64_t now_us)
{
    struct message m;
    int sound = parse(packet, length, &m);
    node->now_us = now_us;
    if (!sound && BREAKS(13))
        node->deaf_until_us = now_us + 1500 * MS;
    if (sound && now_us >= node->deaf_until_us)
        hear(node, &m);
    return sound;
}

void node_byte(struct node *node, uint8_t byte, uint64_t now_us)
{
    if (byte == END) {
        if (node->in_length > 0 && !node->in_spoiled && !node->in_escaped)
            node_packet(node, node->in, node->in_length, now_us);
        node->in_length = 0;
        node->in_spoiled = node->in_escaped = 0;
        return;
    }
    if (node->in_escaped) {
        node->in_escaped = 0;
        if (byte == ESC_END)
            byte = END;
        else if (byte == ESC_ESC)
            byte = ESC;
        else
            node->in_spoiled = 1;
    } else if (byte == ESC) {
        node->in_escaped = 1;
        return;
    }
    if (node->in_length == NODE_IN_MAX)
        node->in_spoiled = 1;
    else
        node->in[node->in_length++] = byte;
}

/* ---- time ---- */

void node_start(struct node *node, const struct node_panel *panel, int32_t boot, uint64_t now_us)
{
    memset(node, 0, sizeof *node);
    node->panel = panel;
    node->boot = boot;
    node->started_us = node->now_us = node->lost_us = now_us;
    node->beat_due_us = node->hello_due_us = node->repeat_due_us = now_us;
    node->lost = 1;
    node->state_at = node->shown_at = node->raw_control = -1;
}

void node_move(struct node *node, int control, float value, uint64_t now_us)
{
    int place = node->panel->controls[control].kind == NODE_PLACE;
    node->now_us = now_us;
    if (place && value == node->value[control])
        return;
    node->value[control] = value;
    node->waits[control] = 1;
    if (!place)
        say_moved(node, control);
}

/* Places that wait, fairly in turn, while little else waits: whatever is not sent now is replaced by the next. */
static void say_places(struct node *node)
{
    int i, count = node->panel->control_count;
    for (i = 0; i < count && node->queue_length < 256; i++) {
        int control = (node->next_moved + i) % count;
        if (node->waits[control] && node->now_us - node->sent_us[control] >= MOVE_US)
            say_moved(node, control);
    }
    node->next_moved = count > 0 ? (node->next_moved + 1) % count : 0;
}

static void say_states(struct node *node)
{
    int count = node->panel->control_count;
    struct writer w;
    while (node->state_at >= 0 && node->queue_length < 512) {
        if (node->state_at < count) {
            if (!(BREAKS(14) && node->state_at == count - 1))
                say_state(node, node->state_at);
            node->state_at++;
            continue;
        }
        begin(&w, "/node/state/end", ",iii");
        put_int(&w, node->state_token);
        put_int(&w, count);
        put_int(&w, node->sequence);
        send(node, &w);
        node->state_at = -1;
    }
    while (count > 0 && node->now_us >= node->repeat_due_us && node->queue_length < 512 && !BREAKS(15)) {
        say_state(node, node->next_repeated);
        node->next_repeated = (node->next_repeated + 1) % count;
        node->repeat_due_us += REPEAT_US / (uint32_t)count;
    }
}

void node_tick(struct node *node, uint64_t now_us)
{
    node->now_us = now_us;
    if (!node->lost && now_us - node->heard_us >= LOST_US) {
        node->lost = 1;
        node->lost_us = node->heard_us + LOST_US;
        node->losses++;
    }
    end_pulses(node);
    if (node->panel->serial && !node->heard && now_us >= node->hello_due_us) {
        say_hello(node);
        node->hello_due_us = now_us + HELLO_US;
    }
    if (now_us >= node->beat_due_us) {
        say_beat(node);
        node->beat_due_us = now_us + (BREAKS(6) ? 4 * BEAT_US : BEAT_US);
    }
    while (node->shown_at >= 0 && room(node) > 512)
        say_shown(node);
    say_places(node);
    say_states(node);
    raw_tick(node);
}
