/* The program's end of the pipe to the rig. The protocol is described in faultsim/src/subjects/program.rs. */
#define _POSIX_C_SOURCE 200809L
#include "outlast_subject.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/wait.h>
#include <unistd.h>

enum {
    MOST_VALUE = 128 * 1024,
    MOST_CHANGES = 256,
    MOST_NOTES = 256,
    MOST_REFUSED = 1000 /* failed flash calls after which we give up on code that ignores errors */
};

static struct outlast_part part;
static uint8_t *cells; /* copy of the part if nothing in it is marginal, else NULL */
static uint8_t notes[2 + 8 * MOST_NOTES];
static unsigned note_count, refused;
static unsigned seconds = 10; /* per request, unless the rig asks for another limit */

static void put32(uint8_t *to, uint32_t number) {
    for (int i = 0; i < 4; i++) to[i] = (uint8_t)(number >> 8 * i);
}

static uint32_t get32(const uint8_t *from) {
    return from[0] | (uint32_t)from[1] << 8 | (uint32_t)from[2] << 16 | (uint32_t)from[3] << 24;
}

static void give_up(const char *why) {
    fprintf(stderr, "outlast_subject: %s\n", why);
    _exit(70);
}

static void *memory(size_t bytes) {
    void *new = malloc(bytes ? bytes : 1);
    if (!new) give_up("out of memory");
    return new;
}

/* Standard input and output without buffers, because this process and its children share them. */
static int read_all(uint8_t *to, size_t bytes) {
    while (bytes > 0) {
        ssize_t got = read(0, to, bytes);
        if (got <= 0) return 0;
        to += got;
        bytes -= (size_t)got;
    }
    return 1;
}

static void write_all(const uint8_t *from, size_t bytes) {
    while (bytes > 0) {
        ssize_t put = write(1, from, bytes);
        if (put <= 0) _exit(0); /* the rig hung up */
        from += put;
        bytes -= (size_t)put;
    }
}

/* Sends a letter, the length of the rest, and the rest in up to three pieces. */
static void send(char letter, const void *a, size_t a_bytes, const void *b, size_t b_bytes, const void *c,
                 size_t c_bytes) {
    size_t bytes = a_bytes + b_bytes + c_bytes;
    uint8_t *message = memory(5 + bytes);
    message[0] = (uint8_t)letter;
    put32(message + 1, (uint32_t)bytes);
    if (a_bytes) memcpy(message + 5, a, a_bytes);
    if (b_bytes) memcpy(message + 5 + a_bytes, b, b_bytes);
    if (c_bytes) memcpy(message + 5 + a_bytes + b_bytes, c, c_bytes);
    write_all(message, 5 + bytes);
    free(message);
}

/* The rest of the next message, with a 0 byte after it; NULL if the rig hung up. */
static uint8_t *receive(char *letter, size_t *bytes) {
    uint8_t head[5];
    if (!read_all(head, 5)) return NULL;
    *letter = (char)head[0];
    *bytes = get32(head + 1);
    uint8_t *rest = memory(*bytes + 1);
    if (!read_all(rest, *bytes)) {
        free(rest);
        return NULL;
    }
    rest[*bytes] = 0;
    return rest;
}

static size_t take_notes(void) {
    size_t bytes = 2 + 8 * note_count;
    notes[0] = (uint8_t)note_count;
    notes[1] = (uint8_t)(note_count >> 8);
    note_count = 0;
    return bytes;
}

/* The part's answer to a call. Does not return if the power is off. */
static int outcome(void *data, size_t data_bytes) {
    char letter;
    size_t bytes;
    uint8_t *rest = receive(&letter, &bytes);
    if (!rest || letter == 'f') _exit(0);
    int done = letter == 'k' || (letter == 'd' && bytes == data_bytes);
    if (done && data) memcpy(data, rest, data_bytes);
    free(rest);
    if (!done && ++refused > MOST_REFUSED) give_up("the code ignores the errors of the part");
    return done ? 0 : -1;
}

int outlast_read(uint32_t address, void *data, size_t bytes) {
    size_t end = (size_t)part.sectors * part.sector_bytes;
    if (cells && address <= end && bytes <= end - address) {
        memcpy(data, cells + address, bytes);
        put32(notes + 2 + 8 * note_count, address);
        put32(notes + 6 + 8 * note_count, (uint32_t)bytes);
        if (++note_count < MOST_NOTES) return 0;
        size_t noted = take_notes();
        send('n', notes, noted, NULL, 0, NULL, 0);
        return outcome(NULL, 0);
    }
    uint8_t where[8];
    put32(where, address);
    put32(where + 4, (uint32_t)bytes);
    send('r', where, 8, NULL, 0, NULL, 0);
    return outcome(data, bytes);
}

int outlast_program(uint32_t address, const void *data, size_t bytes) {
    uint8_t where[4];
    put32(where, address);
    size_t noted = take_notes();
    send('p', notes, noted, where, 4, data, bytes);
    if (outcome(NULL, 0) != 0) return -1;
    for (size_t i = 0; cells && i < bytes; i++) cells[address + i] &= ((const uint8_t *)data)[i];
    return 0;
}

int outlast_erase(uint32_t address, size_t bytes) {
    uint8_t where[8];
    put32(where, address);
    put32(where + 4, (uint32_t)bytes);
    size_t noted = take_notes();
    send('e', notes, noted, where, 8, NULL, 0);
    if (outcome(NULL, 0) != 0) return -1;
    if (cells) memset(cells + address, 0xFF, bytes);
    return 0;
}

static void answer(enum outlast_status status, const void *rest, size_t bytes) {
    uint8_t byte = (uint8_t)status;
    size_t noted = take_notes();
    send('D', notes, noted, &byte, 1, rest, bytes);
}

static void power_up(const struct outlast_subject *subject, const uint8_t *rest, size_t bytes) {
    if (bytes < 16) give_up("short message");
    part = (struct outlast_part){get32(rest), get32(rest + 4), get32(rest + 8), get32(rest + 12)};
    if (bytes == 16 + (size_t)part.sectors * part.sector_bytes) {
        cells = memory(bytes - 16);
        memcpy(cells, rest + 16, bytes - 16);
    }
    answer(subject->open(&part), NULL, 0);
}

/* A copy of the key as a string. */
static const char *key_of(const uint8_t *from, size_t bytes) {
    char *key = memory(bytes + 1);
    memcpy(key, from, bytes);
    key[bytes] = 0;
    return key;
}

static enum outlast_status batch(const struct outlast_subject *subject, const uint8_t *rest, size_t bytes) {
    struct outlast_change changes[MOST_CHANGES];
    size_t count = 0;
    const uint8_t *end = rest + bytes;
    if (!subject->batch) return OUTLAST_REFUSED;
    while (rest < end && count < MOST_CHANGES) {
        size_t key_bytes = *rest;
        struct outlast_change *change = &changes[count++];
        change->key = key_of(rest + 1, key_bytes);
        rest += 1 + key_bytes;
        change->is_delete = *rest++ == 0;
        if (!change->is_delete) {
            change->bytes = get32(rest);
            change->value = rest + 4;
            rest += 4 + change->bytes;
        }
    }
    enum outlast_status status = rest < end ? OUTLAST_REFUSED : subject->batch(changes, count);
    for (size_t i = 0; i < count; i++) free((void *)changes[i].key);
    return status;
}

static void serve(const struct outlast_subject *subject, char letter, const uint8_t *rest, size_t bytes) {
    static uint8_t value[MOST_VALUE];
    const char *whole = (const char *)rest;
    size_t got = 0;
    enum outlast_status status = OUTLAST_REFUSED;
    const char *key;
    switch (letter) {
    case 'P':
        key = key_of(rest + 1, rest[0]);
        status = subject->put(key, rest + 1 + rest[0], bytes - 1 - rest[0]);
        free((void *)key);
        answer(status, NULL, 0);
        return;
    case 'G':
        status = subject->get(whole, value, sizeof value, &got);
        if (status == OUTLAST_DONE && got > sizeof value) {
            char why[120];
            int length = snprintf(why, sizeof why, "get says it wrote %zu bytes, with room for %zu", got, sizeof value);
            answer(OUTLAST_BROKEN, why, length > 0 ? (size_t)length : 0);
            return;
        }
        answer(status, value, status == OUTLAST_DONE ? got : 0);
        return;
    case 'E':
        if (subject->erase_key) status = subject->erase_key(whole);
        break;
    case 'B':
        status = batch(subject, rest, bytes);
        break;
    case 'C':
        if (subject->clear) status = subject->clear();
        break;
    case 'T':
        status = subject->tidy ? subject->tidy() : OUTLAST_DONE;
        break;
    default:
        give_up("unknown message");
    }
    answer(status, NULL, 0);
}

/* One power-up, in a separate process. */
static void live(const struct outlast_subject *subject, const uint8_t *first, size_t first_bytes) {
    alarm(seconds);
    power_up(subject, first, first_bytes);
    for (;;) {
        char letter;
        size_t bytes;
        alarm(0);
        uint8_t *rest = receive(&letter, &bytes);
        if (!rest || letter == 'X') _exit(0);
        alarm(seconds);
        serve(subject, letter, rest, bytes);
        free(rest);
    }
}

int outlast_subject_run(const struct outlast_subject *subject) {
    uint8_t version = 1;
    if (!subject->name || !subject->name[0] || strlen(subject->name) > 63)
        give_up("struct outlast_subject needs a name of 1 to 63 bytes");
    if (!subject->open || !subject->put || !subject->get)
        give_up("struct outlast_subject needs the functions open, put and get");
    send('H', &version, 1, subject->name, strlen(subject->name), NULL, 0);
    for (;;) {
        char letter;
        size_t bytes;
        uint8_t *rest = receive(&letter, &bytes);
        if (!rest) return 0;
        /* A message for a power-up that has died meanwhile needs no further answer. */
        if (letter == 'O') {
            int status = 0;
            pid_t child = fork();
            if (child < 0) give_up("cannot fork");
            if (child == 0) live(subject, rest, bytes);
            if (waitpid(child, &status, 0) < 0) give_up("cannot wait");
            uint8_t how[2] = {WIFSIGNALED(status) ? (uint8_t)WTERMSIG(status) : 0,
                              WIFEXITED(status) ? (uint8_t)WEXITSTATUS(status) : 0};
            send('K', how, 2, NULL, 0, NULL, 0);
        }
        if (letter == 'L' && bytes == 4) seconds = get32(rest);
        free(rest);
    }
}
