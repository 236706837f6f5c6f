/* The board layer for QEMU's mps2-an385 (Cortex-M3, 25 MHz). Frames and requests on UART 0; a script of samples comes in on
 * UART 1 before the chanter starts, and at its end a line with what the steps took goes out there. What leads a script, and
 * storage, so that it outlasts the emulator, are the files chanter.samples and chanter.storage by semihosting. Registers: Arm, Cortex-M System Design Kit TRM
 * (DDI 0479), and Application Note AN385; semihosting: Arm, "Semihosting for AArch32 and AArch64".
 */
#include "cortex_m.h"
#include "script.h"

#define TIMER_CONTROL REGISTER(0x40000000u)
#define TIMER_VALUE REGISTER(0x40000004u)
#define TIMER_RELOAD REGISTER(0x40000008u)
#define TICKS_PER_US 25u

#define WATCHDOG_LOAD REGISTER(0x40008000u)
#define WATCHDOG_CONTROL REGISTER(0x40008008u)
#define WATCHDOG_CLEAR REGISTER(0x4000800Cu)
#define WATCHDOG_LOCK REGISTER(0x40008C00u)
#define WATCHDOG_KEY 0x1ACCE551u
#define WATCHDOG_US 50000u /* the interrupt after one such time, the reset after the second */

#define SYSTICK_CONTROL REGISTER(0xE000E010u)
#define SYSTICK_RELOAD REGISTER(0xE000E014u)
#define SYSTICK_VALUE REGISTER(0xE000E018u)
#define INTERRUPT_CONTROL REGISTER(0xE000ED04u)
#define CLEAR_PENDING_SYSTICK (1u << 25)
#define IDLE_US 50u /* a step without work sleeps until the next such beat, but not shortly before a scan */

struct uart {
    uint32_t data, state, control, interrupt, baud_divider;
};
#define HOST_UART ((volatile struct uart *)0x40004000u)
#define SCRIPT_UART ((volatile struct uart *)0x40005000u)
#define UART_SEND_FULL 1u
#define UART_RECEIVED 2u
#define UART_ON 3u

/* Kept through a reset, as no program memory is: the script, and how this run ended. */
struct kept {
    uint32_t mark;
    uint32_t script_loaded;
    uint32_t restarting; /* on purpose */
    uint32_t taken;      /* bytes of the records so far */
    uint32_t led_by;     /* the open file of a led script, 0 before */
    struct script script;
    uint8_t header[SCRIPT_HEADER_BYTES];
};
#define KEPT ((struct kept *)0x21000000u)
#define RECORDS ((uint8_t *)0x21001000u)
#define RECORDS_MOST 0x00FF0000u
#define LED_BYTES (20u * SCRIPT_RECORD_BYTES)
#define MARK 0x464C5331u

const struct board_facts board = {
    .name = "chanter by script",
    .link_bytes_per_s = 100000,
    .scan_us = 500,
    .cover_at = 540,
    .uncover_at = 460,
    .raw_bits = 10,
    .sysex = false,
};

static uint32_t last_ticks, spare_ticks, timer_us;
static uint32_t scan_began, step_began, longest_step, scan_steps, scan_ticks, longest_scan;
static bool scanned, worked, begun, timed;

static uint32_t ticks(void) { return ~TIMER_VALUE; }

/* -- semihosting: the emulator's own files, and its end ------------------------------------------------------------- */

enum { SYS_OPEN = 1, SYS_CLOSE = 2, SYS_WRITE = 5, SYS_READ = 6, SYS_SEEK = 10, SYS_EXIT = 0x18 };
enum { READ_BINARY = 1, UPDATE_BINARY = 3, APPLICATION_EXIT = 0x20026 };

static uint32_t semihost(uint32_t what, const void *with) {
    register uint32_t r0 __asm__("r0") = what;
    register const void *r1 __asm__("r1") = with;
    __asm__ volatile("bkpt 0xAB" : "+r"(r0) : "r"(r1) : "memory");
    return r0;
}

static bool storage_access(uint32_t mode, uint8_t slot, uint32_t how, const uint8_t *page) {
    static const char name[] = "chanter.storage";
    const uint32_t open[] = {(uint32_t)name, mode, sizeof name - 1};
    uint32_t file = semihost(SYS_OPEN, open);
    if (file == UINT32_MAX) {
        return false;
    }
    const uint32_t seek[] = {file, (uint32_t)slot * PAGE_BYTES};
    const uint32_t transfer[] = {file, (uint32_t)page, PAGE_BYTES};
    /* A transfer tells how many bytes it did not do. */
    bool done = semihost(SYS_SEEK, seek) == 0 && semihost(how, transfer) == 0;
    return semihost(SYS_CLOSE, &file) == 0 && done;
}

/* More of a led script. Meanwhile the emulator's time stands still. */
static void read_on(void) {
    static const char name[] = "chanter.samples";
    const uint32_t open[] = {(uint32_t)name, READ_BINARY, sizeof name - 1};
    if (KEPT->led_by == 0) {
        KEPT->led_by = semihost(SYS_OPEN, open);
    }
    uint32_t room = KEPT->taken < RECORDS_MOST ? LED_BYTES : 0;
    const uint32_t transfer[] = {KEPT->led_by, (uint32_t)(RECORDS + KEPT->taken), room};
    uint32_t left = KEPT->led_by != UINT32_MAX && room > 0 ? semihost(SYS_READ, transfer) : room;
    KEPT->script.ended = left >= room;
    KEPT->taken += left < room ? room - left : 0;
    KEPT->script.count = KEPT->taken / SCRIPT_RECORD_BYTES;
}

/* -- the board functions -------------------------------------------------------------------------------------------- */

void board_read_samples(uint16_t samples[HOLES]) {
    scanned = worked = true;
    scan_began = step_began = last_ticks; /* the quiet turns before a scan are no part of its step */
    for (uint8_t hole = 0; hole < HOLES; hole++) {
        samples[hole] = KEPT->script.samples[hole];
    }
}

uint32_t board_microseconds(void) {
    /* The timer wraps every 171 s at 25 MHz; what is left over of a microsecond is carried on. */
    uint32_t now = ticks(), passed = now - last_ticks + spare_ticks;
    timed = true;
    last_ticks = now;
    timer_us += passed / TICKS_PER_US;
    spare_ticks = passed % TICKS_PER_US;
    while (KEPT->script.led && !KEPT->script.ended && timer_us >= script_latest_us(&KEPT->script)) {
        read_on();
    }
    return script_microseconds(&KEPT->script, timer_us);
}

uint16_t board_send(const uint8_t *bytes, uint16_t size) {
    uint16_t taken = 0;
    worked = true;
    while (taken < size && !KEPT->script.away && !(HOST_UART->state & UART_SEND_FULL)) {
        HOST_UART->data = bytes[taken++];
    }
    return taken;
}

static void send_number(uint32_t number) {
    char digits[10];
    uint8_t count = 0;
    do {
        digits[count++] = (char)('0' + number % 10);
    } while ((number /= 10) > 0);
    while (count > 0) {
        SCRIPT_UART->data = (uint32_t)digits[--count];
    }
    SCRIPT_UART->data = ' ';
}

/* In timer ticks: the longest step; how many steps scanned, what they took together, the longest of them. In bytes: how
 * deep the stack was, and how deep it may be. */
static void tell_and_exit(void) {
    send_number(longest_step);
    send_number(scan_steps);
    send_number(scan_ticks);
    send_number(longest_scan);
    send_number(stack_depth());
    send_number(stack_size());
    SCRIPT_UART->data = '\n';
    (void)semihost(SYS_EXIT, (const void *)APPLICATION_EXIT);
}

/* Every step of the chanter asks for the time, then for bytes: from one first byte to the next, without the sleep, is a
 * step. */
static void account_for_step(void) {
    uint32_t now = ticks(), took = now - step_began;
    step_began = now;
    if (begun && took > longest_step) {
        longest_step = took;
    }
    if (begun && scanned) {
        scan_steps++;
        scan_ticks += took;
        longest_scan = took > longest_scan ? took : longest_scan;
    }
    begun = true;
    scanned = false;
}

/* The beat is pending, not taken: interrupts stay off, and a pending one is enough to wake. */
static void sleep_until_beat(void) {
    __asm__ volatile("wfi" ::: "memory");
    INTERRUPT_CONTROL = CLEAR_PENDING_SYSTICK;
    step_began = ticks();
}

int board_receive(void) {
    if (timed) {
        account_for_step();
    }
    timed = false;
    if (KEPT->script.ended) {
        tell_and_exit();
    }
    int byte = script_receive(&KEPT->script);
    if (byte < 0 && HOST_UART->state & UART_RECEIVED) {
        byte = (int)(HOST_UART->data & 0xFF);
    }
    bool scan_is_near = ticks() - scan_began > (board.scan_us - 2u * IDLE_US) * TICKS_PER_US;
    if (byte < 0 && !worked && !scan_is_near && !KEPT->script.counted) {
        sleep_until_beat();
    }
    worked = false;
    return byte;
}

enum stored board_store(uint8_t slot, const uint8_t page[PAGE_BYTES]) {
    if (script_storing(&KEPT->script)) {
        return STILL_STORING;
    }
    bool stored = !KEPT->script.broken && storage_access(UPDATE_BINARY, slot, SYS_WRITE, page);
    return stored ? STORED : NOT_STORED;
}

bool board_load(uint8_t slot, uint8_t page[PAGE_BYTES]) { return storage_access(READ_BINARY, slot, SYS_READ, page); }

void board_restart(void) {
    KEPT->restarting = 1;
    AIRCR = AIRCR_RESET;
    for (;;) {
    }
}

void board_feed_watchdog(void) {
    while (KEPT->script.hang) {
    }
    WATCHDOG_CLEAR = 1;
}

uint8_t board_state(void) { return KEPT->script.state; }

void board_device_id(uint8_t id[8]) {
    for (uint8_t i = 0; i < 8; i++) {
        id[i] = (uint8_t) "scripted"[i];
    }
}

/* -- the start ------------------------------------------------------------------------------------------------------ */

static uint8_t script_byte(void) {
    while (!(SCRIPT_UART->state & UART_RECEIVED)) {
    }
    return (uint8_t)SCRIPT_UART->data;
}

static void load_script(void) {
    for (uint8_t i = 0; i < SCRIPT_HEADER_BYTES; i++) {
        KEPT->header[i] = script_byte();
    }
    if (!script_start(&KEPT->script, KEPT->header, RECORDS)) {
        board_fault();
    }
    for (uint32_t i = 0; i < KEPT->script.count * SCRIPT_RECORD_BYTES && i < RECORDS_MOST; i++) {
        RECORDS[i] = script_byte();
    }
    KEPT->taken = KEPT->script.count * SCRIPT_RECORD_BYTES;
    KEPT->led_by = 0;
    KEPT->mark = MARK;
}

void board_begin(void) {
    HOST_UART->baud_divider = SCRIPT_UART->baud_divider = 25; /* 1 000 000 baud */
    HOST_UART->control = SCRIPT_UART->control = UART_ON;
    /* For what was sent before they were on, the emulator looks again only after a read. One byte of the host may be
     * lost by it, as on any board that is just starting. */
    (void)HOST_UART->data;
    if (KEPT->mark != MARK) {
        load_script();
    } else {
        bool hung = !KEPT->restarting;
        KEPT->script.hang = false;
        script_restart(&KEPT->script);
        KEPT->script.state = hung ? STATE_WATCHDOG : 0;
    }
    KEPT->restarting = 0;
    TIMER_RELOAD = TIMER_VALUE = UINT32_MAX;
    TIMER_CONTROL = 1;
    last_ticks = ticks();
    __asm__ volatile("cpsid i");
    SYSTICK_RELOAD = SYSTICK_VALUE = IDLE_US * TICKS_PER_US - 1;
    SYSTICK_CONTROL = 7; /* the processor's own clock, its exception, on */
    WATCHDOG_LOCK = WATCHDOG_KEY;
    WATCHDOG_LOAD = WATCHDOG_US * TICKS_PER_US;
    WATCHDOG_CONTROL = 3;
}

void board_fault(void) {
    for (;;) {
    }
}

/* None is let through. */
void board_interrupt(void) { board_fault(); }
