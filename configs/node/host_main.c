/* Runs the node of node.c on a host with a made-up panel, for trying the desk and node-check without hardware.
 *
 *   node serial PATH          on a serial line or pty, at the pace of 115,200 baud
 *   node udp PORT             on a UDP port of this machine's loopback (0: any; it says which)
 *   node pipe                 in simulated time: see run_pipe
 *
 *     cc -std=c99 node.c host_main.c -lm -o node
 *
 * Commands on standard input: "move CONTROL VALUE", "hands on", "hands off", "quit". On standard output it says, with its
 * uptime in seconds, what its drivers have whenever that changes, and at the end what it counted.
 */
#define _POSIX_C_SOURCE 200809L
#define _DEFAULT_SOURCE

#include "node.h"

#include <arpa/inet.h>
#include <errno.h>
#include <fcntl.h>
#include <math.h>
#include <netinet/in.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/socket.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

enum { BYTES_PER_SECOND = 11520, FADERS = 8, CONTROLS = 12, LAMPS = 4, CONTACTS = 3 };

static const struct node_control CONTROL[CONTROLS] = {
    {"/strip-1/fader", NODE_PLACE},   {"/strip-2/fader", NODE_PLACE},   {"/strip-3/fader", NODE_PLACE},
    {"/strip-4/fader", NODE_PLACE},   {"/strip-5/fader", NODE_PLACE},   {"/strip-6/fader", NODE_PLACE},
    {"/strip-7/fader", NODE_PLACE},   {"/strip-8/fader", NODE_PLACE},   {"/strip-1/button", NODE_BUTTON},
    {"/strip-2/button", NODE_BUTTON}, {"/strip-3/switch", NODE_BUTTON}, {"/turn", NODE_STEPS},
};
static const char *const LAMP[LAMPS] = {"/strip-1/button", "/strip-2/button", "/lamp/live", "/lamp/stream"};
static const char *const CONTACT[CONTACTS] = {"start-1", "room-lamp", "speaker-mute"};

static struct node node;
static int hands;
static uint64_t hands_due_us;
static uint32_t moves;

/* A converter of 12 bits with a worn track under it: a slow sweep and two bits of noise. */
static uint16_t sample(void *context, int control, uint64_t now_us)
{
    static uint32_t seed = 1;
    double place = 0.5 + 0.45 * sin((double)now_us * 1e-6 + control);
    (void)context;
    seed = seed * 1664525u + 1013904223u;
    return (uint16_t)(place * 4092.0 + (double)(seed >> 30));
}

static struct node_panel panel = {5, "host node 1", CONTROL, CONTROLS, LAMP, LAMPS, CONTACT, CONTACTS, 12, sample, 0, 0};

/* Two hands on two faders, and a finger on a button twice a second. */
static void move_hands(uint64_t now_us)
{
    static int pressed;
    double t = (double)now_us * 1e-6;
    if (!hands || now_us < hands_due_us)
        return;
    hands_due_us = now_us + 10000;
    node_move(&node, (int)(t / 10.0) % FADERS, (float)(0.5 + 0.45 * sin(t)), now_us);
    node_move(&node, (int)(t / 10.0 + 4.0) % FADERS, (float)(0.5 + 0.45 * cos(t)), now_us);
    moves += 2;
    if ((int)(t * 4.0) % 2 != pressed) {
        pressed = !pressed;
        node_move(&node, FADERS, (float)pressed, now_us);
        moves++;
    }
}

static void masks(char *lamps, char *contacts)
{
    int i;
    for (i = 0; i < LAMPS; i++)
        lamps[i] = node_lamp(&node, i) > 0.0f ? '1' : '0';
    for (i = 0; i < CONTACTS; i++)
        contacts[i] = node_contact_closed(&node, i) ? '1' : '0';
    lamps[LAMPS] = contacts[CONTACTS] = 0;
}

static void show(void)
{
    static char before[64];
    char now[64], lamps[LAMPS + 1], contacts[CONTACTS + 1];
    masks(lamps, contacts);
    snprintf(now, sizeof now, "lost=%d lamps=%s contacts=%s", node.lost, lamps, contacts);
    if (strcmp(now, before) == 0)
        return;
    strcpy(before, now);
    printf("%.3f %s\n", (double)(node.now_us - node.started_us) * 1e-6, now);
    fflush(stdout);
}

static void report(FILE *to)
{
    fprintf(to, "counted: sequence %d, moves %u, beats %u, beats missed %u, losses %u, packets dropped %u\n", node.sequence,
            moves, node.beats_heard, node.beats_missed, node.losses, node.dropped);
    fflush(to);
}

static uint64_t micros(void)
{
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return (uint64_t)now.tv_sec * 1000000u + (uint64_t)now.tv_nsec / 1000u;
}

/* Does what standard input says; 0 at its end. */
static int command(void)
{
    static char line[128];
    static size_t length;
    char byte;
    int control;
    float value;
    if (read(0, &byte, 1) != 1)
        return 0;
    if (byte != '\n') {
        if (length < sizeof line - 1)
            line[length++] = byte;
        return 1;
    }
    line[length] = 0;
    length = 0;
    if (sscanf(line, "move %d %f", &control, &value) == 2 && control >= 0 && control < CONTROLS)
        node_move(&node, control, value, micros());
    else if (strcmp(line, "hands on") == 0)
        hands = 1;
    else if (strcmp(line, "hands off") == 0)
        hands = 0;
    return strcmp(line, "quit") != 0;
}

static int run_serial(int line)
{
    static uint8_t out[NODE_FRAME_MAX];
    size_t length = 0, at = 0;
    uint64_t paid_us = micros();
    for (;;) {
        struct pollfd wait[2] = {{0, POLLIN, 0}, {line, POLLIN, 0}};
        uint8_t in[256];
        ssize_t got, i;
        uint64_t now;
        poll(wait, 2, 1);
        if (wait[0].revents && !command())
            return 0;
        now = micros();
        if (wait[1].revents) {
            got = read(line, in, sizeof in);
            if (got == 0 || (got < 0 && errno != EAGAIN))
                return 1;
            for (i = 0; i < got; i++)
                node_byte(&node, in[i], now);
        }
        move_hands(now);
        node_tick(&node, now);
        show();
        /* As a UART would: a byte has its time, and what was not used is not saved up. */
        if (paid_us + 5000 < now)
            paid_us = now - 5000;
        while (paid_us <= now) {
            if (at == length) {
                at = 0;
                length = node_take(&node, out);
                if (length == 0)
                    break;
            }
            if (write(line, out + at, 1) != 1)
                break;
            at++;
            paid_us += 1000000 / BYTES_PER_SECOND;
        }
    }
}

static int run_udp(int at)
{
    struct sockaddr_in desk, from;
    int known = 0;
    for (;;) {
        struct pollfd wait[2] = {{0, POLLIN, 0}, {at, POLLIN, 0}};
        uint8_t packet[2048];
        socklen_t size = sizeof from;
        size_t length;
        ssize_t got;
        poll(wait, 2, 1);
        if (wait[0].revents && !command())
            return 0;
        while ((got = recvfrom(at, packet, sizeof packet, MSG_DONTWAIT, (struct sockaddr *)&from, &size)) >= 0) {
            uint64_t now = micros();
            if (node_packet(&node, packet, (size_t)got, now)
                && (strcmp((char *)packet, "/node/hello/ask") == 0 || strcmp((char *)packet, "/node/beat") == 0)) {
                desk = from;
                known = 1;
            }
        }
        move_hands(micros());
        node_tick(&node, micros());
        show();
        while ((length = node_take(&node, packet)) > 0)
            if (known)
                sendto(at, packet, length, 0, (struct sockaddr *)&desk, sizeof desk);
    }
}

static int exactly(void *into, size_t length)
{
    return fread(into, 1, length, stdin) == length;
}

/* Simulated time. In: microseconds (8 bytes), room for bytes out (2), bytes in (2), those bytes; numbers low byte first. Out: 1 when
 * lost, lamps lit as bits, contacts closed as bits, bytes out (2), those bytes. Ticks every millisecond in between. */
static int run_pipe(void)
{
    static uint8_t out[NODE_FRAME_MAX];
    size_t length = 0, at = 0, i;
    uint64_t now = 0;
    uint8_t head[12], in[4096], reply[5];
    hands = 1;
    node_start(&node, &panel, 77, 0);
    while (exactly(head, sizeof head)) {
        static uint8_t bytes[65536];
        uint64_t until = 0;
        size_t room = (size_t)head[8] | (size_t)head[9] << 8, given = (size_t)head[10] | (size_t)head[11] << 8, sent = 0;
        char lamps[LAMPS + 1], contacts[CONTACTS + 1];
        for (i = 0; i < 8; i++)
            until |= (uint64_t)head[i] << (8 * i);
        if (given > sizeof in || !exactly(in, given))
            return 1;
        for (i = 0; i < given; i++)
            node_byte(&node, in[i], now);
        for (; now < until; now += 1000) {
            move_hands(now);
            node_tick(&node, now);
        }
        while (sent < room) {
            if (at == length) {
                at = 0;
                length = node_take(&node, out);
                if (length == 0)
                    break;
            }
            bytes[sent++] = out[at++];
        }
        masks(lamps, contacts);
        memset(reply, 0, sizeof reply);
        reply[0] = (uint8_t)node.lost;
        for (i = 0; i < LAMPS; i++)
            reply[1] |= (uint8_t)((lamps[i] - '0') << i);
        for (i = 0; i < CONTACTS; i++)
            reply[2] |= (uint8_t)((contacts[i] - '0') << i);
        reply[3] = (uint8_t)sent;
        reply[4] = (uint8_t)(sent >> 8);
        fwrite(reply, 1, sizeof reply, stdout);
        fwrite(bytes, 1, sent, stdout);
        fflush(stdout);
    }
    report(stderr);
    return 0;
}

int main(int count, char **words)
{
    struct sockaddr_in address;
    struct termios raw;
    socklen_t size = sizeof address;
    int line, failed;
    if (count == 2 && strcmp(words[1], "pipe") == 0) {
        panel.serial = 1;
        return run_pipe();
    }
    if (count != 3 || (strcmp(words[1], "serial") != 0 && strcmp(words[1], "udp") != 0)) {
        fprintf(stderr, "usage: node serial PATH | node udp PORT | node pipe\n");
        return 2;
    }
    panel.serial = strcmp(words[1], "serial") == 0;
    if (panel.serial) {
        line = open(words[2], O_RDWR | O_NOCTTY | O_NONBLOCK);
        if (line < 0 || tcgetattr(line, &raw) != 0) {
            perror(words[2]);
            return 3;
        }
        cfmakeraw(&raw);
        cfsetspeed(&raw, B115200);
        tcsetattr(line, TCSANOW, &raw);
    } else {
        memset(&address, 0, sizeof address);
        address.sin_family = AF_INET;
        address.sin_addr.s_addr = htonl(INADDR_LOOPBACK);
        address.sin_port = htons((uint16_t)atoi(words[2]));
        line = socket(AF_INET, SOCK_DGRAM, 0);
        if (line < 0 || bind(line, (struct sockaddr *)&address, sizeof address) != 0
            || getsockname(line, (struct sockaddr *)&address, &size) != 0) {
            perror("UDP");
            return 3;
        }
        printf("at 127.0.0.1:%d\n", ntohs(address.sin_port));
        fflush(stdout);
    }
    node_start(&node, &panel, (int32_t)((micros() ^ (uint64_t)getpid() << 8) & 0x7FFFFFFE) | 1, micros());
    failed = panel.serial ? run_serial(line) : run_udp(line);
    report(stdout);
    return failed;
}
