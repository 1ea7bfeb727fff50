/* Connects storage code written in C to the power-cut rig of Outlast, as a separate program.
 *
 * Implement the functions of `struct outlast_subject` with your code, call outlast_subject_run from main,
 * compile both files together with your code for the host (POSIX), and run
 *
 *     outlast torture --program ./your-program
 *
 * Your code needs no change. Each power-up is a fresh process, so static variables start as they do after
 * a reset, and a crash or an endless loop is reported instead of ending the rig. Calls of the flash
 * functions below never return once the power is cut.
 */
#ifndef OUTLAST_SUBJECT_H
#define OUTLAST_SUBJECT_H

#include <stddef.h>
#include <stdint.h>

#ifdef __cplusplus
extern "C" {
#endif

/* The number of sectors, and sizes in bytes. Programs must start and end at multiples of unit. */
struct outlast_part {
    uint32_t sectors, sector_bytes, unit, page;
};

/* The part. Addresses are in bytes from its start. The functions return 0 if they succeed, and -1 if the part
 * refuses: out of range, not aligned, a 1 programmed over a 0, a second program of a unit, or too many calls
 * in one power-up. */
int outlast_read(uint32_t address, void *data, size_t bytes);
int outlast_program(uint32_t address, const void *data, size_t bytes);
int outlast_erase(uint32_t address, size_t bytes); /* whole sectors */

enum outlast_status {
    OUTLAST_DONE = 0,
    OUTLAST_ABSENT = 1,  /* get, erase_key: the setting does not exist */
    OUTLAST_FULL = 2,    /* no room; nothing changed */
    OUTLAST_DAMAGED = 3, /* the value is damaged and was not returned */
    OUTLAST_REFUSED = 4, /* not offered, or not with these arguments; nothing changed */
    OUTLAST_BROKEN = 5   /* anything else */
};

struct outlast_change {
    const char *key; /* terminated by a 0 byte */
    int is_delete;
    const void *value;
    size_t bytes;
};

/* What you implement. Keys are terminated by a 0 byte. open, put and get are required; any other function
 * may be NULL if you do not offer it. */
struct outlast_subject {
    const char *name; /* for reports and tokens, at most 63 bytes: "gauge-log" */
    /* Power-up: everything your code does before its settings can be read, also on a blank part. */
    enum outlast_status (*open)(const struct outlast_part *part);
    enum outlast_status (*put)(const char *key, const void *value, size_t bytes);
    enum outlast_status (*erase_key)(const char *key); /* no error if absent */
    /* Writes at most `room` bytes to value and sets *bytes. */
    enum outlast_status (*get)(const char *key, void *value, size_t room, size_t *bytes);
    enum outlast_status (*batch)(const struct outlast_change *changes, size_t count); /* all or nothing */
    enum outlast_status (*clear)(void);                                               /* factory reset */
    enum outlast_status (*tidy)(void); /* housekeeping in idle time */
};

/* Talks to the rig until it hangs up; returns the exit code for main. */
int outlast_subject_run(const struct outlast_subject *subject);

#ifdef __cplusplus
}
#endif

#endif
