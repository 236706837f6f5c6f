#include "script.h"

#include "frames.h"

#define STORING_POLLS 3

bool script_start(struct script *script, const uint8_t header[SCRIPT_HEADER_BYTES], const uint8_t *records) {
    *script = (struct script){.records = records};
    if (header[0] != 'F' || header[1] != 'L' || header[2] != 'S' || header[3] != '1') {
        return false;
    }
    script->counted = header[4] == 1;
    script->led = header[4] == 2;
    script->start_us = get_u32(header + 8);
    script->count = get_u32(header + 12);
    return true;
}

void script_restart(struct script *script) {
    script->before_us += script->now_us;
    script->now_us = 0;
    script->start_us = 0;
    script->polls = 0;
    script->storing_us = 0;
    script->state = 0;
}

static void carry_out(struct script *script, const uint8_t *record) {
    const uint8_t *body = record + 5;
    switch (record[4]) {
    case SCRIPT_SAMPLES:
        for (uint8_t hole = 0; hole < HOLES; hole++) {
            script->samples[hole] = get_u16(body + 2 * hole);
        }
        break;
    case SCRIPT_DARK:
        for (uint8_t hole = 0; hole < HOLES; hole++) {
            script->dark[hole] = get_u16(body + 2 * hole);
        }
        break;
    case SCRIPT_BYTES:
        for (uint8_t i = 1; i <= body[0] && i <= 15; i++) {
            script->bytes[script->written++] = body[i];
        }
        break;
    case SCRIPT_AWAY:
        script->away = true;
        break;
    case SCRIPT_BACK:
        script->away = false;
        break;
    case SCRIPT_HANG:
        script->hang = true;
        break;
    case SCRIPT_STORAGE:
        script->broken = body[0] == 0;
        script->slow = body[0] == 2;
        break;
    case SCRIPT_STATE:
        script->state = body[0];
        break;
    case SCRIPT_OVERSLEEP:
        script->now_us += get_u32(body);
        break;
    default:
        script->ended = true;
    }
}

uint32_t script_latest_us(const struct script *script) {
    uint32_t last_us = script->count > 0 ? get_u32(script->records + (script->count - 1) * SCRIPT_RECORD_BYTES) : 0;
    return last_us > script->before_us ? last_us - script->before_us : 0;
}

uint32_t script_microseconds(struct script *script, uint32_t timer_us) {
    script->now_us = script->counted ? script->now_us + COUNTED_STEP_US : timer_us;
    while (script->next < script->count) {
        const uint8_t *record = script->records + script->next * SCRIPT_RECORD_BYTES;
        if (script->before_us + script->now_us < get_u32(record)) {
            break;
        }
        script->next++;
        carry_out(script, record);
    }
    return script->start_us + script->now_us;
}

int script_receive(struct script *script) {
    return script->read == script->written ? -1 : script->bytes[script->read++];
}

bool script_storing(struct script *script) {
    if (script->slow) {
        script->storing_us = script->storing_us == 0 ? script->now_us + 1 : script->storing_us;
        if (script->now_us - script->storing_us + 1 < SLOW_STORING_US) {
            return true;
        }
        script->storing_us = 0;
        return false;
    }
    script->polls = script->polls == STORING_POLLS ? 0 : (uint8_t)(script->polls + 1);
    return script->polls != 0;
}
