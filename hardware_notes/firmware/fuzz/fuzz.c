/* Any bytes as a chanter's life: samples, requests, garbage, an absent reader, failing storage; and what must hold always.
 *
 * With clang this is a libFuzzer target. Without, OWN_MAIN makes it a program of its own:
 *     fuzz SECONDS FILE...    plays the files, then changed and invented ones until the time is up
 *     fuzz 0 FILE...          plays the files only
 * Built with AddressSanitizer and UBSan; it ends at the first fault, with the life that led to it in the file life.found.
 */
#include <signal.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#include "chanter.h"

const struct board_facts board = {
    .name = "a name that is longer than a hello has room for",
    .link_bytes_per_s = 100000,
    .scan_us = 500,
    .cover_at = 540,
    .uncover_at = 460,
    .raw_bits = 16,
#ifdef FUZZ_SYSEX
    .sysex = true,
#endif
};

static void fail(const char *what, int line) {
    fprintf(stderr, "does not hold: %s (line %d)\n", what, line);
    abort();
}
#define REQUIRE(what) ((what) ? (void)0 : fail(#what, __LINE__))

/* -- one life ------------------------------------------------------------------------------------------------------ */

static struct {
    const uint8_t *data;
    size_t size, next;
    uint32_t now_us, last_holes_us, last_raw_us, last_slope_us;
    uint32_t in_frame; /* bytes */
    uint16_t samples[HOLES];
    uint8_t pages[SLOTS][PAGE_BYTES];
    uint8_t queue[256], read, written, room;
    bool holes_seen, raw_seen, slope_seen, broken, restarted;
    struct reader host; /* the core's reader, here on the host's end */
} life;

void board_read_samples(uint16_t samples[HOLES]) { memcpy(samples, life.samples, sizeof life.samples); }
uint32_t board_microseconds(void) { return life.now_us += 7; }
int board_receive(void) { return life.read == life.written ? -1 : life.queue[life.read++]; }
bool board_load(uint8_t slot, uint8_t page[PAGE_BYTES]) {
    memcpy(page, life.pages[slot], PAGE_BYTES);
    return !life.broken;
}
void board_restart(void) { life.restarted = true; }
void board_feed_watchdog(void) {}
uint8_t board_state(void) { return life.room & 3; }
void board_device_id(uint8_t id[8]) { memset(id, 0, 8); }

enum stored board_store(uint8_t slot, const uint8_t page[PAGE_BYTES]) {
    REQUIRE(slot < SLOTS);
    if (life.now_us % 3 == 0) {
        return STILL_STORING;
    }
    memcpy(life.pages[slot], page, life.broken ? PAGE_BYTES / 2 : PAGE_BYTES);
    return life.broken ? NOT_STORED : STORED;
}

/* Known kinds of the right size, times that never go back. */
static void hear(const uint8_t *p, uint16_t size) {
    if (p[0] == TYPE_HELLO) {
        REQUIRE(size == HELLO_MOST);
    } else if (p[0] == TYPE_HOLES) {
        REQUIRE(size == HOLES_SIZE);
        uint32_t t_us = get_u32(p + HOLES_AT_TIME);
        REQUIRE(!life.holes_seen || (int32_t)(t_us - life.last_holes_us) >= 0);
        REQUIRE((int32_t)(life.now_us - t_us) >= 0);
        life.last_holes_us = t_us;
        life.holes_seen = true;
    } else if (p[0] == TYPE_RAW) {
        REQUIRE(size == RAW_SIZE);
        uint32_t t_us = get_u32(p + RAW_AT_TIME);
        REQUIRE(!life.raw_seen || (int32_t)(t_us - life.last_raw_us) > 0);
        life.last_raw_us = t_us;
        life.raw_seen = true;
    } else if (p[0] == TYPE_SLOPE) {
        REQUIRE(size == SLOPE_SIZE && p[SLOPE_AT_HOLE] < HOLES);
        uint32_t t_us = get_u32(p + SLOPE_AT_TIME);
        REQUIRE(!life.slope_seen || (int32_t)(t_us - life.last_slope_us) >= 0);
        REQUIRE((int32_t)(life.now_us - t_us) >= 0);
        life.last_slope_us = t_us;
        life.slope_seen = true;
    } else if (p[0] == TYPE_ANSWER) {
        REQUIRE(size >= ANSWER_SIZE && p[ANSWER_AT_STATUS] <= STATUS_STORAGE_FAILED);
    } else {
        REQUIRE(p[0] == TYPE_TROUBLE && size == TROUBLE_SIZE);
    }
}

uint16_t board_send(const uint8_t *bytes, uint16_t size) {
    uint16_t taken = size < life.room ? size : life.room;
    for (uint16_t i = 0; i < taken; i++) {
        uint16_t length = reader_take(&life.host, bytes[i]);
        bool ends = bytes[i] == (board.sysex ? SYSEX_END : 0);
        REQUIRE(!ends || length > 0 || life.in_frame == 0); /* every frame that ends is whole */
        life.in_frame = ends ? 0 : life.in_frame + 1;
        if (length > 0) {
            REQUIRE(length <= HELLO_MOST);
            hear(life.host.kept, length);
        }
    }
    return taken;
}

static uint8_t next_byte(void) { return life.next < life.size ? life.data[life.next++] : 0; }

static void something_happens(void) {
    uint8_t what = next_byte();
    if (what < 0x60) { /* a finger */
        life.samples[what % HOLES] = (uint16_t)(next_byte() << (what / HOLES % 9));
    } else if (what < 0xE0) { /* so many bytes from the host */
        for (uint8_t i = 0; i < what - 0x60; i++) {
            life.queue[life.written++] = next_byte();
        }
    } else if (what < 0xE8) { /* how much the link takes */
        life.room = next_byte();
    } else if (what < 0xEC) {
        life.broken = what & 1;
    } else { /* time goes on, or leaps */
        life.now_us += (uint32_t)next_byte() << (what % 16);
    }
}

int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size);
int LLVMFuzzerTestOneInput(const uint8_t *data, size_t size) {
    static struct chanter chanter;
    memset(&life, 0, sizeof life);
    life.data = data;
    life.size = size;
    life.room = 255;
    life.now_us = UINT32_MAX - 10000;
    reader_start(&life.host, board.sysex);
    chanter_start(&chanter);
    while (life.next < life.size) {
        something_happens();
        for (uint8_t steps = next_byte() % 200u + 1; steps > 0 && !life.restarted; steps--) {
            chanter_step(&chanter);
            REQUIRE(chanter.outbox.raw.held <= chanter.outbox.raw.size);
            REQUIRE(chanter.outbox.prompt.held <= chanter.outbox.prompt.size);
            REQUIRE(chanter.outbox.sent <= chanter.outbox.size);
            REQUIRE(levels_sound(&chanter.levels));
        }
        if (life.restarted) {
            life.in_frame = 0; /* a restart may cut a frame off */
            life.restarted = life.holes_seen = life.raw_seen = life.slope_seen = false;
            reader_start(&life.host, board.sysex);
            chanter_start(&chanter);
        }
    }
    return 0;
}

/* -- without libFuzzer --------------------------------------------------------------------------------------------- */

#ifdef OWN_MAIN
#define LIFE_MOST 4096

/* Both sanitizers end by SIGABRT, as abort does. */
const char *__asan_default_options(void);
const char *__asan_default_options(void) { return "abort_on_error=1"; }
const char *__ubsan_default_options(void);
const char *__ubsan_default_options(void) { return "abort_on_error=1:print_stacktrace=1"; }

static uint32_t state;
static uint32_t chance(uint32_t below) { /* xorshift32: G. Marsaglia, Journal of Statistical Software 8(14), 2003 */
    state ^= state << 13;
    state ^= state >> 17;
    state ^= state << 5;
    return state % below;
}

/* So that a fault can be played again. */
static void save_life(int sign) {
    (void)sign;
    FILE *file = fopen("life.found", "wb");
    if (file != NULL) {
        fwrite(life.data, 1, life.size, file);
        fclose(file);
    }
}

static size_t read_file(const char *name, uint8_t *data) {
    FILE *file = fopen(name, "rb");
    if (file == NULL) {
        fprintf(stderr, "cannot read %s\n", name);
        exit(1);
    }
    size_t size = fread(data, 1, LIFE_MOST, file);
    fclose(file);
    return size;
}

static size_t changed(uint8_t *data, size_t size) {
    for (uint32_t times = chance(8); times > 0 && size > 0; times--) {
        size_t at = chance((uint32_t)size), length = chance((uint32_t)(size - at)) + 1;
        switch (chance(4)) {
        case 0:
            data[at] = (uint8_t)chance(256);
            break;
        case 1:
            data[at] ^= (uint8_t)(1u << chance(8));
            break;
        case 2:
            memmove(data + at, data + at + length, size - at - length);
            size -= length;
            break;
        default: /* said twice */
            length = length < LIFE_MOST - size ? length : LIFE_MOST - size;
            memmove(data + at + length, data + at, size - at);
            size += length;
        }
    }
    return size;
}

int main(int argc, char **argv) {
    uint8_t data[LIFE_MOST];
    signal(SIGABRT, save_life);
    if (argc < 3) {
        fprintf(stderr, "expected: fuzz SECONDS FILE...\n");
        return 1;
    }
    for (int i = 2; i < argc; i++) {
        LLVMFuzzerTestOneInput(data, read_file(argv[i], data));
    }
    time_t end = time(NULL) + atoi(argv[1]);
    uint32_t seed = (uint32_t)time(NULL) | 1u, lives = 0;
    for (state = seed; time(NULL) < end; lives++) {
        size_t size = read_file(argv[2 + chance((uint32_t)argc - 2)], data);
        size = changed(data, size);
        if (chance(4) == 0) {
            size = chance(LIFE_MOST);
            for (size_t i = 0; i < size; i++) {
                data[i] = (uint8_t)chance(256);
            }
        }
        LLVMFuzzerTestOneInput(data, size);
    }
    printf("%d files and %u other lives, nothing found\n", argc - 2, lives);
    return 0;
}
#endif
