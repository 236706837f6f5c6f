/* The board layer for a computer: chanter STORAGE < SCRIPT > FRAMES. No hardware, no waiting, no real time. */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include "chanter.h"
#include "rig.h"
#include "script.h"

#ifndef SCAN_US
#define SCAN_US 500
#endif
#ifndef LINK_BYTES_PER_S
#define LINK_BYTES_PER_S 100000
#endif
#ifndef SYSEX
#define SYSEX false
#endif

#ifdef LAMPS
static void read_dark(uint16_t samples[HOLES]);
#endif

const struct board_facts board = {
    .name = "chanter by script",
    .link_bytes_per_s = LINK_BYTES_PER_S,
    .scan_us = SCAN_US,
    .cover_at = 540,
    .uncover_at = 460,
    .raw_bits = 10,
    .sysex = SYSEX,
#ifdef LAMPS
    .read_dark = read_dark,
#endif
};

static struct script script;
static const char *storage;
static bool restart;

void board_read_samples(uint16_t samples[HOLES]) { memcpy(samples, script.samples, sizeof script.samples); }

#ifdef LAMPS
static void read_dark(uint16_t samples[HOLES]) { memcpy(samples, script.dark, sizeof script.dark); }
#endif

#ifdef RIG
/* The pins as rows of a log, on the standard error: a row for each change. */
void board_show(uint8_t seen_mask) {
    static int shown = -1;
    if (shown < 0) {
        fprintf(stderr, "time_us,hole0,hole1,hole2,hole3,hole4,hole5,hole6,hole7\n");
    }
    if (shown != seen_mask) {
        fprintf(stderr, "%u", (unsigned)script.now_us);
        for (uint8_t hole = 0; hole < HOLES; hole++) {
            fprintf(stderr, ",%d", seen_mask >> hole & 1);
        }
        fputc('\n', stderr);
        shown = seen_mask;
    }
}
#endif

uint32_t board_microseconds(void) { return script_microseconds(&script, 0); }

uint16_t board_send(const uint8_t *bytes, uint16_t size) {
    return script.away ? 0 : (uint16_t)fwrite(bytes, 1, size, stdout);
}

int board_receive(void) { return script_receive(&script); }

enum stored board_store(uint8_t slot, const uint8_t page[PAGE_BYTES]) {
    if (script_storing(&script)) {
        return STILL_STORING;
    }
    FILE *file = script.broken ? NULL : fopen(storage, "r+b");
    if (file == NULL) {
        return NOT_STORED;
    }
    bool written = fseek(file, slot * PAGE_BYTES, SEEK_SET) == 0 && fwrite(page, PAGE_BYTES, 1, file) == 1;
    return fclose(file) == 0 && written ? STORED : NOT_STORED;
}

bool board_load(uint8_t slot, uint8_t page[PAGE_BYTES]) {
    FILE *file = fopen(storage, "rb");
    if (file == NULL) {
        return false;
    }
    bool read = fseek(file, slot * PAGE_BYTES, SEEK_SET) == 0 && fread(page, PAGE_BYTES, 1, file) == 1;
    fclose(file);
    return read;
}

void board_restart(void) { restart = true; }

/* The watchdog finds a hang at the very scan at which it begins. */
void board_feed_watchdog(void) { restart = restart || script.hang; }

uint8_t board_state(void) { return script.state; }

void board_device_id(uint8_t id[8]) { memcpy(id, "scripted", 8); }

static uint8_t *read_all(size_t *size) {
    size_t room = 1 << 16;
    uint8_t *all = malloc(room);
    *size = 0;
    while (all != NULL) {
        *size += fread(all + *size, 1, room - *size, stdin);
        if (*size < room) {
            return all;
        }
        all = realloc(all, room *= 2);
    }
    abort();
}

int main(int argc, char **argv) {
    size_t size;
    uint8_t *all = read_all(&size);
    if (argc != 2 || size < SCRIPT_HEADER_BYTES || !script_start(&script, all, all + SCRIPT_HEADER_BYTES) ||
        (size - SCRIPT_HEADER_BYTES) / SCRIPT_RECORD_BYTES < script.count) {
        fprintf(stderr, "expected: chanter STORAGE < SCRIPT > FRAMES, a script as scripts.py writes it\n");
        return 1;
    }
    script.counted = true; /* there is no other clock here */
    storage = argv[1];
    static struct chanter chanter;
    do {
        restart = false;
        chanter_start(&chanter);
        while (!restart && !script.ended) {
            chanter_step(&chanter);
        }
        bool hung = script.hang;
        script.hang = false;
        script_restart(&script);
        script.state = hung ? STATE_WATCHDOG : 0;
    } while (!script.ended);
    free(all);
    return 0;
}
