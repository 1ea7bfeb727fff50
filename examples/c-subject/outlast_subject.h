/* Puts storage code written in C under the power-cut rig of Outlast, as a program of its own.
 *
 * Write the functions of `struct outlast_subject` in terms of your code, call outlast_subject_run from
 * main, compile both files together with your code for the host (POSIX), and run
 *
 *     outlast torture --program ./your-program
 *
 * Your code needs no change: each power-up is a fresh process, so static variables start as they do
 * after a reset, and a crash or an endless loop is reported instead of taking the rig along. Calls of
 * the flash functions below never return once the power is cut.
 */
#ifndef OUTLAST_SUBJECT_H
#define OUTLAST_SUBJECT_H

#include <stddef.h>
#include <stdint.h>

#ifdef __cplusplus
extern "C" {
#endif

/* Sizes of the part in bytes; programs start and end at multiples of unit. */
struct outlast_part {
    uint32_t sectors, sector_bytes, unit, page;
};

/* The part. Addresses in bytes from its start; 0 if done, -1 if refused: out of range, not aligned, a 1
 * where a 0 is, a second program of a unit, or too many calls in one power-up. */
int outlast_read(uint32_t address, void *data, size_t bytes);
int outlast_program(uint32_t address, const void *data, size_t bytes);
int outlast_erase(uint32_t address, size_t bytes); /* whole sectors */

enum outlast_status {
    OUTLAST_DONE = 0,
    OUTLAST_ABSENT = 1,  /* get, erase_key: there is no such setting */
    OUTLAST_FULL = 2,    /* no room; nothing changed */
    OUTLAST_DAMAGED = 3, /* the value is damaged and was not served */
    OUTLAST_REFUSED = 4, /* not offered, or not with these arguments; nothing changed */
    OUTLAST_BROKEN = 5   /* anything else */
};

struct outlast_change {
    const char *key; /* ends with a 0 byte */
    int is_delete;
    const void *value;
    size_t bytes;
};

/* What you write. Keys end with a 0 byte. A function that is NULL counts as not offered; open, put and
 * get are needed. */
struct outlast_subject {
    const char *name; /* for reports and tokens, at most 63 bytes: "gauge-log" */
    /* Power-up: all your code does before its settings can be read, on a blank part too. */
    enum outlast_status (*open)(const struct outlast_part *part);
    enum outlast_status (*put)(const char *key, const void *value, size_t bytes);
    enum outlast_status (*erase_key)(const char *key); /* fine if absent */
    /* Writes at most `room` bytes and sets *bytes. */
    enum outlast_status (*get)(const char *key, void *value, size_t room, size_t *bytes);
    enum outlast_status (*batch)(const struct outlast_change *changes, size_t count); /* all or none */
    enum outlast_status (*clear)(void);                                               /* factory reset */
    enum outlast_status (*tidy)(void); /* housekeeping in idle time */
};

/* Talks to the rig until it hangs up; returns the exit code for main. */
int outlast_subject_run(const struct outlast_subject *subject);

#ifdef __cplusplus
}
#endif

#endif
