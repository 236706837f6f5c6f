/* The core as functions of a shared library: the parts that tests compare with the Python program, and the whole chanter
 * over an array of samples, at the speed of the computer.
 */
#include "chanter.h"

#include <string.h>

/* -- parts --------------------------------------------------------------------------------------------------------- */

/* Returns how many edges were decided; edges has room for one per hole and scan. */
uint32_t bridge_chatter(uint32_t settle_us, uint8_t start_mask, uint32_t scans, const uint32_t *t_us,
                        const uint8_t *seen_mask, uint32_t *edge_us, uint8_t *edge_mask, uint32_t *edge_scan);
uint32_t bridge_chatter(uint32_t settle_us, uint8_t start_mask, uint32_t scans, const uint32_t *t_us,
                        const uint8_t *seen_mask, uint32_t *edge_us, uint8_t *edge_mask, uint32_t *edge_scan) {
    struct chatter chatter;
    struct edge edge;
    uint32_t edges = 0;
    chatter_start(&chatter, start_mask);
    for (uint32_t scan = 0; scan < scans; scan++) {
        chatter_see(&chatter, t_us[scan], seen_mask[scan]);
        while (chatter_decide(&chatter, t_us[scan], settle_us, &edge)) {
            edge_us[edges] = edge.first_us;
            edge_mask[edges] = edge.covered_mask;
            edge_scan[edges++] = scan;
        }
    }
    return edges;
}

void bridge_levels(const uint16_t *levels, uint32_t scans, const uint16_t *samples, uint8_t *seen_mask);
void bridge_levels(const uint16_t *levels, uint32_t scans, const uint16_t *samples, uint8_t *seen_mask) {
    struct levels each;
    for (uint8_t hole = 0; hole < HOLES; hole++) {
        each.cover_at[hole] = levels[2 * hole];
        each.uncover_at[hole] = levels[2 * hole + 1];
    }
    uint8_t seen = scans > 0 ? first_seen(&each, samples) : 0;
    for (uint32_t scan = 0; scan < scans; scan++) {
        seen = next_seen(&each, samples + scan * HOLES, seen);
        seen_mask[scan] = seen;
    }
}

/* Each payload as its size u16 and its first KEPT_MOST bytes; returns how many payloads. */
uint32_t bridge_reader(bool sysex, uint32_t size, const uint8_t *bytes, uint16_t *sizes, uint8_t *kept);
uint32_t bridge_reader(bool sysex, uint32_t size, const uint8_t *bytes, uint16_t *sizes, uint8_t *kept) {
    struct reader reader;
    uint32_t payloads = 0;
    reader_start(&reader, sysex);
    for (uint32_t i = 0; i < size; i++) {
        uint16_t length = reader_take(&reader, bytes[i]);
        if (length > 0) {
            sizes[payloads] = length;
            for (uint16_t k = 0; k < KEPT_MOST; k++) {
                kept[payloads * KEPT_MOST + k] = k < length ? reader.kept[k] : 0;
            }
            payloads++;
        }
    }
    return payloads;
}

uint16_t bridge_write(bool sysex, const uint8_t *payload, uint16_t size, uint8_t *out);
uint16_t bridge_write(bool sysex, const uint8_t *payload, uint16_t size, uint8_t *out) {
    return frame_write(sysex, payload, size, out);
}

void bridge_tables(uint8_t *standard_masks, uint8_t *sounding);
void bridge_tables(uint8_t *standard_masks, uint8_t *sounding) {
    for (uint16_t note = 0; note < NOTES; note++) {
        standard_masks[note] = STANDARD_MASKS[note];
    }
    for (uint16_t mask = 0; mask < 256; mask++) {
        sounding[mask] = SOUNDING[mask];
    }
}

/* -- the whole ----------------------------------------------------------------------------------------------------- */

#define STEPS 4u /* turns of the loop in a scan */

const struct board_facts board = {
    .name = "chanter by array",
    .link_bytes_per_s = 100000,
    .scan_us = 500,
    .cover_at = 540,
    .uncover_at = 460,
    .raw_bits = 10,
};

static struct {
    const uint16_t *samples;
    const uint8_t *asked;
    uint8_t *said;
    uint32_t scan, scans, to_ask, room, size, now_us;
} play;

void board_read_samples(uint16_t samples[HOLES]) {
    memcpy(samples, play.samples + HOLES * (play.scan < play.scans ? play.scan : play.scans - 1), 2 * HOLES);
    play.scan++;
}

uint32_t board_microseconds(void) { return play.now_us += board.scan_us / STEPS; }

uint16_t board_send(const uint8_t *bytes, uint16_t size) {
    if (size > play.room - play.size) {
        return 0;
    }
    memcpy(play.said + play.size, bytes, size);
    play.size += size;
    return size;
}

int board_receive(void) { return play.to_ask > 0 ? (play.to_ask--, *play.asked++) : -1; }
enum stored board_store(uint8_t slot, const uint8_t page[PAGE_BYTES]) { return (void)slot, (void)page, STORED; }
bool board_load(uint8_t slot, uint8_t page[PAGE_BYTES]) { return memset(page, slot, PAGE_BYTES), true; }
void board_restart(void) {}
void board_feed_watchdog(void) {}
uint8_t board_state(void) { return 0; }
void board_device_id(uint8_t id[8]) { memset(id, 7, 8); }

/* One row of eight samples for each scan; the requests come as fast as the chanter reads them. Returns how many bytes it
 * said, at most room. */
uint32_t bridge_play(uint32_t scans, const uint16_t *samples, uint32_t to_ask, const uint8_t *asked, uint32_t room,
                     uint8_t *said);
uint32_t bridge_play(uint32_t scans, const uint16_t *samples, uint32_t to_ask, const uint8_t *asked, uint32_t room,
                     uint8_t *said) {
    static struct chanter chanter;
    memset(&play, 0, sizeof play);
    play.samples = samples;
    play.scans = scans;
    play.asked = asked;
    play.to_ask = to_ask;
    play.said = said;
    play.room = room;
    chanter_start(&chanter);
    while (play.scan < scans) {
        chanter_step(&chanter);
    }
    return play.size;
}
