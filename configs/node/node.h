/* A panel node that speaks the wire of WIRE.md, form 1: bytes in, bytes out, time as an argument.
 *
 * C99, no operating system, no memory taken after node_start. The firmware around it reads converters, filters them,
 * calls node_move, and puts node_lamp and node_contact onto the drivers after every node_tick (each millisecond is good).
 * Take this file as it is, or as an example: the page rules.
 */
#ifndef NODE_H
#define NODE_H

#include <stddef.h>
#include <stdint.h>

enum {
    NODE_CONTROLS_MAX = 96,
    NODE_LAMPS_MAX = 96,
    NODE_CONTACTS_MAX = 8,
    NODE_NAME_MAX = 63,   /* bytes of an address or name */
    NODE_IN_MAX = 256,    /* longest packet from the desk */
    NODE_OUT_MAX = 1024,  /* longest packet to the desk */
    NODE_FRAME_MAX = 2 * NODE_OUT_MAX + 2,
    NODE_QUEUE = 4096     /* bytes that wait to be sent */
};

enum node_kind {
    NODE_PLACE,  /* fader or knob: a newer value replaces one that waits */
    NODE_BUTTON, /* springs back, or stays: every edge is sent */
    NODE_STEPS   /* encoder: value is steps, it stands nowhere */
};

struct node_control {
    const char *address;
    enum node_kind kind;
};

/* What the panel is; has to live as long as the node. */
struct node_panel {
    int slot; /* as the straps say, 0 to 63 */
    const char *maker;
    const struct node_control *controls;
    int control_count;
    const char *const *lamps;
    int lamp_count;
    const char *const *contacts;
    int contact_count;
    int bits; /* of the converter, 8 to 16 */
    /* The converter of a control now, before any filter. */
    uint16_t (*sample)(void *context, int control, uint64_t now_us);
    void *context;
    int serial; /* 1: frames for a serial line, and a hello at the start; 0: datagrams */
};

struct node_contact {
    int told, safe, told_once;
    int pulsing;
    int32_t number, width_ms; /* of the pulse under way */
    int done;                 /* whether a pulse was ever made, and which */
    int32_t done_number, done_width_ms;
    uint64_t since_us;
};

struct node {
    const struct node_panel *panel;
    int32_t boot, sequence;
    uint64_t started_us, now_us, beat_due_us, hello_due_us;
    /* the desk */
    int heard, lost;
    uint64_t heard_us, lost_us;
    int32_t desk_count;
    uint32_t beats_heard, beats_missed, losses, dropped;
    uint64_t deaf_until_us;
    /* controls */
    float value[NODE_CONTROLS_MAX];
    uint8_t waits[NODE_CONTROLS_MAX];
    uint64_t sent_us[NODE_CONTROLS_MAX];
    int next_moved, next_repeated;
    uint64_t repeat_due_us;
    /* answers that are said bit by bit: how far, or -1 */
    int state_at, shown_at;
    int32_t state_token, shown_token;
    /* lamps and contacts */
    float level[NODE_LAMPS_MAX];
    struct node_contact contact[NODE_CONTACTS_MAX];
    /* the burst */
    int raw_control; /* or -1 */
    int32_t raw_token, raw_rate;
    uint32_t raw_wanted, raw_taken, raw_sent, raw_missed;
    uint64_t raw_start_us;
    uint16_t raw[128];
    uint32_t raw_index, raw_us;
    int raw_held;
    /* frames in */
    uint8_t in[NODE_IN_MAX];
    size_t in_length;
    int in_escaped, in_spoiled;
    /* packets out, each after its length in two bytes */
    uint8_t queue[NODE_QUEUE];
    size_t queue_first, queue_length;
};

/* Begins. `boot` is not 0 and another one than at the last start. */
void node_start(struct node *node, const struct node_panel *panel, int32_t boot, uint64_t now_us);
/* Takes a byte of the serial line. */
void node_byte(struct node *node, uint8_t byte, uint64_t now_us);
/* Takes a packet; of a datagram, or what node_byte gathered. Says whether it was sound. */
int node_packet(struct node *node, const uint8_t *packet, size_t length, uint64_t now_us);
/* Does what time asks for. */
void node_tick(struct node *node, uint64_t now_us);
/* A control moved: 0 to 1, or steps. After the firmware's own filters. */
void node_move(struct node *node, int control, float value, uint64_t now_us);
/* The next frame (serial) or packet to send, at most NODE_FRAME_MAX bytes; 0 when there is none. */
size_t node_take(struct node *node, uint8_t *out);
/* What the driver of a lamp shall have, 0 to 1. */
float node_lamp(const struct node *node, int lamp);
/* What the driver of a contact shall have: 1 is closed. */
int node_contact_closed(const struct node *node, int contact);

#endif
