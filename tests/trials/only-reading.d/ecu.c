/* ECUs for the trial only-reading, on the kernel's own ISO-TP (linux/can/isotp.h); written from the kernel's header and the
 * standards, not from the program under trial, and knows nothing of it.
 *
 *     ecu INTERFACE SCRIPT LOG
 *
 * SCRIPT, a line each, everything hexadecimal but milliseconds and nanoseconds:
 *     socket NAME RX TX [gap NANOSECONDS] [address OF_THE_ECU OF_THE_TESTER]
 *     on NAME REQUEST [as NAME] then MILLISECONDS PAYLOAD [then MILLISECONDS PAYLOAD]...
 * A request that comes on a socket is answered by each payload so long after it, sent on the same socket or on the one named
 * by `as` (a functional request, answered by one's own identifier). `**` in a payload is a counter that grows by each answer.
 * Identifiers above 7FF have 29 bits. LOG gets a line for each payload handed to the kernel: NAME PAYLOAD. Ends when killed.
 */
#include <errno.h>
#include <net/if.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/ioctl.h>
#include <sys/socket.h>
#include <time.h>
#include <unistd.h>

#include <linux/can.h>
#include <linux/can/isotp.h>

enum { SOCKETS = 32, RULES = 64, STEPS = 4, WAITING = 64, PAYLOAD = 8192 };

struct ecu { char name[16]; int fd; };
struct step { int after_ms; char *payload; };
struct rule { int on, as, steps; char request[32]; unsigned char count; struct step step[STEPS]; };
struct waiting { int as; long long due_ms; size_t length; unsigned char *payload; };

static struct ecu ecus[SOCKETS];
static struct rule rules[RULES];
static struct waiting queue[WAITING];
static int ecu_count, rule_count;
static FILE *kept;

static void fail(const char *what) { perror(what); exit(1); }

static long long now_ms(void) {
    struct timespec now;
    clock_gettime(CLOCK_MONOTONIC, &now);
    return now.tv_sec * 1000LL + now.tv_nsec / 1000000;
}

static int find(const char *name) {
    for (int n = 0; n < ecu_count; n++) if (!strcmp(ecus[n].name, name)) return n;
    fprintf(stderr, "no socket %s\n", name);
    exit(1);
}

static canid_t identifier(const char *text) {
    canid_t id = strtoul(text, NULL, 16);
    return id > CAN_SFF_MASK ? id | CAN_EFF_FLAG : id;
}

static void open_socket(const char *interface, char *words) {
    struct ecu *ecu = &ecus[ecu_count++];
    struct sockaddr_can address = { .can_family = AF_CAN, .can_ifindex = if_nametoindex(interface) };
    struct can_isotp_options options = { .flags = CAN_ISOTP_TX_PADDING, .txpad_content = 0xAA };
    char *word = strtok(words, " ");
    snprintf(ecu->name, sizeof ecu->name, "%s", word);
    address.can_addr.tp.rx_id = identifier(strtok(NULL, " "));
    address.can_addr.tp.tx_id = identifier(strtok(NULL, " "));
    while ((word = strtok(NULL, " "))) {
        if (!strcmp(word, "gap")) {
            options.frame_txtime = strtoul(strtok(NULL, " "), NULL, 10);
        } else {
            /* What the ECU sends begins with the tester's address, what it hears with its own. */
            options.rx_ext_address = strtoul(strtok(NULL, " "), NULL, 16);
            options.ext_address = strtoul(strtok(NULL, " "), NULL, 16);
            options.flags |= CAN_ISOTP_EXTEND_ADDR | CAN_ISOTP_RX_EXT_ADDR;
        }
    }
    ecu->fd = socket(PF_CAN, SOCK_DGRAM | SOCK_NONBLOCK, CAN_ISOTP);
    if (ecu->fd < 0) fail("socket");
    if (setsockopt(ecu->fd, SOL_CAN_ISOTP, CAN_ISOTP_OPTS, &options, sizeof options)) fail("options");
    if (bind(ecu->fd, (struct sockaddr *)&address, sizeof address)) fail("bind");
}

static void add_rule(char *words) {
    struct rule *rule = &rules[rule_count++];
    rule->on = rule->as = find(strtok(words, " "));
    snprintf(rule->request, sizeof rule->request, "%s", strtok(NULL, " "));
    for (char *word; (word = strtok(NULL, " "));) {
        if (!strcmp(word, "as")) {
            rule->as = find(strtok(NULL, " "));
        } else {
            struct step *step = &rule->step[rule->steps++];
            step->after_ms = atoi(strtok(NULL, " "));
            step->payload = strdup(strtok(NULL, " "));
        }
    }
}

static void read_script(const char *interface, const char *path) {
    static char line[2 * PAYLOAD + 256];
    FILE *script = fopen(path, "r");
    if (!script) fail(path);
    while (fgets(line, sizeof line, script)) {
        line[strcspn(line, "\r\n")] = 0;
        if (!strncmp(line, "socket ", 7)) open_socket(interface, line + 7);
        if (!strncmp(line, "on ", 3)) add_rule(line + 3);
    }
    fclose(script);
}

static void wait_for(struct rule *rule, struct step *step) {
    for (int n = 0; n < WAITING; n++) {
        if (queue[n].payload) continue;
        size_t length = strlen(step->payload) / 2;
        unsigned char *bytes = malloc(length);
        for (size_t at = 0; at < length; at++) {
            char pair[3] = { step->payload[2 * at], step->payload[2 * at + 1], 0 };
            bytes[at] = strcmp(pair, "**") ? strtoul(pair, NULL, 16) : rule->count;
        }
        queue[n] = (struct waiting){ rule->as, now_ms() + step->after_ms, length, bytes };
        return;
    }
    fprintf(stderr, "too many answers wait\n");
}

static void hear(int on) {
    unsigned char request[PAYLOAD];
    char text[2 * sizeof request + 1] = "";
    ssize_t length = read(ecus[on].fd, request, sizeof request);
    if (length < 0 && errno != EAGAIN) fprintf(stderr, "%s: %s\n", ecus[on].name, strerror(errno));
    for (ssize_t at = 0; at < length; at++) sprintf(text + 2 * at, "%02X", request[at]);
    for (int n = 0; n < rule_count; n++) {
        if (rules[n].on != on || length < 0 || strcmp(rules[n].request, text)) continue;
        for (int at = 0; at < rules[n].steps; at++) wait_for(&rules[n], &rules[n].step[at]);
        rules[n].count++;
    }
}

static void speak(struct waiting *one) {
    ssize_t sent = write(ecus[one->as].fd, one->payload, one->length);
    if (sent < 0) fprintf(stderr, "%s: %s\n", ecus[one->as].name, strerror(errno));
    else {
        fprintf(kept, "%s ", ecus[one->as].name);
        for (size_t at = 0; at < one->length; at++) fprintf(kept, "%02X", one->payload[at]);
        fputc('\n', kept);
        fflush(kept);
    }
    free(one->payload);
    one->payload = NULL;
}

int main(int count, char **words) {
    struct pollfd polled[SOCKETS];
    if (count != 4 || !(kept = fopen(words[3], "w"))) fail("usage: ecu INTERFACE SCRIPT LOG");
    read_script(words[1], words[2]);
    for (;;) {
        for (int n = 0; n < ecu_count; n++) polled[n] = (struct pollfd){ .fd = ecus[n].fd, .events = POLLIN };
        if (poll(polled, ecu_count, 2) < 0) fail("poll");
        for (int n = 0; n < ecu_count; n++) if (polled[n].revents & (POLLIN | POLLERR)) hear(n);
        for (int n = 0; n < WAITING; n++) if (queue[n].payload && queue[n].due_ms <= now_ms()) speak(&queue[n]);
    }
}
