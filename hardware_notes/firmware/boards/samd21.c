/* The board layer for a hobby board with a SAMD21G18 (Cortex-M0+): it compiles, BUT NO HARDWARE HAS RUN IT. Registers as
 * the SAM D21/DA1 family data sheet has them, from memory: check each against your copy before you trust it.
 *
 * Eight sensors on the analogue pins PA02 PB08 PB09 PA04 PA05 PB02 PA06 PA07, from the thumb down; a UART on PA10 (out) and
 * PA11 (in). It runs on the oscillator inside, 8 MHz, which the maker of the chip promises to some per cent only: so much
 * may every time be out. A board with a crystal should use it.
 */
#include "cortex_m.h"
#include "board.h"
#include "rig.h"

#define BYTE(address) (*(volatile uint8_t *)(uintptr_t)(address))
#define SHORT(address) (*(volatile uint16_t *)(uintptr_t)(address))

#define VECTORS REGISTER(0xE000ED08u)
#define NVIC_ENABLE REGISTER(0xE000E100u)
#define PM_APBC_MASK REGISTER(0x40000420u)
#define PM_RESET_CAUSE BYTE(0x40000438u)
#define OSC8M REGISTER(0x40000820u)
#define GCLK_STATUS BYTE(0x40000C01u)
#define GCLK_CLKCTRL SHORT(0x40000C02u)
#define GCLK_GENCTRL REGISTER(0x40000C04u)
#define GCLK_GENDIV REGISTER(0x40000C08u)
#define PORT_DIRSET REGISTER(0x41004408u)
#define PORT_OUTCLR REGISTER(0x41004414u)
#define PORT_OUTSET REGISTER(0x41004418u)
#define PORT_OUTTGL REGISTER(0x4100441Cu)
#define PORT_PMUX(group, pair) BYTE(0x41004430u + 0x80u * (group) + (pair))
#define PORT_PINCFG(group, pin) BYTE(0x41004440u + 0x80u * (group) + (pin))

#define WDT_CTRL BYTE(0x40001000u)
#define WDT_CONFIG BYTE(0x40001001u)
#define WDT_STATUS BYTE(0x40001007u)
#define WDT_CLEAR BYTE(0x40001008u)

#define TC4_CTRLA SHORT(0x42003000u)
#define TC4_READREQ SHORT(0x42003002u)
#define TC4_STATUS BYTE(0x4200300Fu)
#define TC4_COUNT REGISTER(0x42003010u)

#define UART_CTRLA REGISTER(0x42000800u)
#define UART_CTRLB REGISTER(0x42000804u)
#define UART_BAUD SHORT(0x4200080Cu)
#define UART_INTENSET BYTE(0x42000816u)
#define UART_INTFLAG BYTE(0x42000818u)
#define UART_SYNC REGISTER(0x4200081Cu)
#define UART_DATA SHORT(0x42000828u)
#define UART_EMPTY 1u
#define UART_RECEIVED 4u
#define UART_INTERRUPT 9u

#define ADC_CTRLA BYTE(0x42004000u)
#define ADC_REFCTRL BYTE(0x42004001u)
#define ADC_CTRLB SHORT(0x42004004u)
#define ADC_SWTRIG BYTE(0x4200400Cu)
#define ADC_INPUTCTRL REGISTER(0x42004010u)
#define ADC_INTFLAG BYTE(0x42004018u)
#define ADC_STATUS BYTE(0x42004019u)
#define ADC_RESULT SHORT(0x4200401Au)
#define ADC_CALIB SHORT(0x42004028u)
#define CALIBRATION_0 REGISTER(0x00806020u)
#define CALIBRATION_1 REGISTER(0x00806024u)

#define NVM_CTRLA SHORT(0x41004000u)
#define NVM_CTRLB REGISTER(0x41004004u)
#define NVM_INTFLAG BYTE(0x41004014u)
#define NVM_ADDR REGISTER(0x4100401Cu)
#define NVM_READY 1u
#define NVM_ERASE_ROW 0xA502u
#define NVM_WRITE_PAGE 0xA504u
#define NVM_CLEAR_BUFFER 0xA544u
#define SLOT_ADDRESS(slot) (0x0003FE00u + 0x100u * (slot))

#define SYNCING 0x80u /* in every status register */

const struct board_facts board = {
    .name = "SAMD21, not tried",
    .link_bytes_per_s = 11520,
    .scan_us = 1000,
    .cover_at = 540,
    .uncover_at = 460,
    .raw_bits = 10,
    .sysex = false,
};

/* Each hole's analogue input, from the thumb down, and its pin. */
static const struct {
    uint8_t input, group, pin;
} sensors[HOLES] = {{0, 0, 2}, {2, 1, 8}, {3, 1, 9}, {4, 0, 4}, {5, 0, 5}, {10, 1, 2}, {6, 0, 6}, {7, 0, 7}};

#ifdef RIG
/* The rig's pins: PA16 to PA23 for the holes, high while covered, and PA27 for the scan. */
#define HOLE_PINS(mask) ((uint32_t)(mask) << 16)
#define SCAN_PIN (1u << 27)

void board_show(uint8_t seen_mask) {
    PORT_OUTSET = HOLE_PINS(seen_mask);
    PORT_OUTCLR = HOLE_PINS((uint8_t)~seen_mask);
}
#endif

/* One conversion takes some 10 us: the eight lie within a tenth of a millisecond. */
void board_read_samples(uint16_t samples[HOLES]) {
#ifdef RIG
    PORT_OUTTGL = SCAN_PIN;
#endif
    for (uint8_t hole = 0; hole < HOLES; hole++) {
        ADC_INPUTCTRL = 0x0F001800u | sensors[hole].input; /* halved, against ground: full scale is the supply */
        while (ADC_STATUS & SYNCING) {
        }
        ADC_SWTRIG = 2;
        while (!(ADC_INTFLAG & 1u)) {
        }
        samples[hole] = ADC_RESULT;
    }
}

uint32_t board_microseconds(void) {
    TC4_READREQ = 0x8010;
    while (TC4_STATUS & SYNCING) {
    }
    return TC4_COUNT;
}

uint16_t board_send(const uint8_t *bytes, uint16_t size) {
    uint16_t taken = 0;
    while (taken < size && (UART_INTFLAG & UART_EMPTY)) {
        UART_DATA = bytes[taken++];
    }
    return taken;
}

/* Two scans bring 24 bytes at 115 200 baud. Only the interrupt writes, only the main loop reads. */
static volatile uint8_t received[64], written, read;

void board_interrupt(void) {
    uint8_t byte = (uint8_t)UART_DATA;
    uint8_t next = (uint8_t)((written + 1u) % sizeof received);
    if (next != read) {
        received[written] = byte;
        written = next;
    }
}

int board_receive(void) {
    if (read == written) {
        return -1;
    }
    int byte = received[read];
    read = (uint8_t)((read + 1u) % sizeof received);
    return byte;
}

/* While the flash erases or writes, the processor waits for its next instruction: some milliseconds in which no scan is
 * made, and the chanter says so (scan overrun). It happens when thresholds are kept, and at the start. */
enum stored board_store(uint8_t slot, const uint8_t page[PAGE_BYTES]) {
    static enum { ERASE, WRITE, CHECK } stage;
    volatile uint32_t *flash = (volatile uint32_t *)SLOT_ADDRESS(slot);
    if (!(NVM_INTFLAG & NVM_READY)) {
        return STILL_STORING;
    }
    switch (stage) {
    case ERASE:
        NVM_ADDR = SLOT_ADDRESS(slot) / 2;
        NVM_CTRLA = NVM_ERASE_ROW;
        stage = WRITE;
        return STILL_STORING;
    case WRITE:
        NVM_CTRLB |= 0x80u; /* written when told, not by itself */
        NVM_CTRLA = NVM_CLEAR_BUFFER;
        while (!(NVM_INTFLAG & NVM_READY)) {
        }
        for (uint8_t i = 0; i < PAGE_BYTES; i += 4) {
            flash[i / 4] = page[i] | (uint32_t)page[i + 1] << 8 | (uint32_t)page[i + 2] << 16 | (uint32_t)page[i + 3] << 24;
        }
        NVM_CTRLA = NVM_WRITE_PAGE;
        stage = CHECK;
        return STILL_STORING;
    default:
        stage = ERASE;
        for (uint8_t i = 0; i < PAGE_BYTES; i++) {
            if (BYTE(SLOT_ADDRESS(slot) + i) != page[i]) {
                return NOT_STORED;
            }
        }
        return STORED;
    }
}

bool board_load(uint8_t slot, uint8_t page[PAGE_BYTES]) {
    for (uint8_t i = 0; i < PAGE_BYTES; i++) {
        page[i] = BYTE(SLOT_ADDRESS(slot) + i);
    }
    return true;
}

void board_restart(void) {
    AIRCR = AIRCR_RESET;
    board_fault();
}

void board_feed_watchdog(void) {
    if (!(WDT_STATUS & SYNCING)) {
        WDT_CLEAR = 0xA5;
    }
}

uint8_t board_state(void) { return PM_RESET_CAUSE & 0x20u ? STATE_WATCHDOG : 0; }

/* The serial number has four words; two and two are folded into one. */
void board_device_id(uint8_t id[8]) {
    uint32_t words[2] = {REGISTER(0x0080A00Cu) ^ REGISTER(0x0080A044u), REGISTER(0x0080A040u) ^ REGISTER(0x0080A048u)};
    for (uint8_t i = 0; i < 8; i++) {
        id[i] = (uint8_t)(words[i / 4] >> 8 * (i % 4));
    }
}

static void clock_for(uint16_t what, uint16_t generator) {
    GCLK_CLKCTRL = (uint16_t)(0x4000u | generator << 8 | what);
    while (GCLK_STATUS & SYNCING) {
    }
}

static void pin_to(uint8_t group, uint8_t pin, uint8_t function) {
    uint8_t shift = pin % 2 ? 4 : 0;
    uint8_t others = PORT_PMUX(group, pin / 2) & (uint8_t)(0xF0u >> shift);
    PORT_PMUX(group, pin / 2) = (uint8_t)(others | function << shift);
    PORT_PINCFG(group, pin) = 1;
}

void board_begin(void) {
    VECTORS = 0x00002000u;
    OSC8M &= ~0x300u; /* undivided: 8 MHz */
    PM_APBC_MASK |= 1u << 2 | 1u << 12 | 1u << 13 | 1u << 16;

#ifdef RIG
    PORT_DIRSET = HOLE_PINS(0xFFu) | SCAN_PIN;
#endif

    clock_for(0x1C, 0); /* timers 4 and 5 as one of 32 bits, 8 MHz / 8 */
    TC4_CTRLA = 0x0308;
    TC4_CTRLA |= 2;

    clock_for(0x14, 0);
    pin_to(0, 10, 2);
    pin_to(0, 11, 2);
    UART_CTRLA = 0x40310004u; /* its own clock, least bit first, out on pad 2, in on pad 3 */
    UART_BAUD = 50437;        /* 65 536 (1 - 16 * 115 200 / 8 000 000) */
    UART_CTRLB = 0x00030000u;
    while (UART_SYNC != 0) {
    }
    UART_INTENSET = UART_RECEIVED;
    UART_CTRLA |= 2;
    NVIC_ENABLE = 1u << UART_INTERRUPT;

    clock_for(0x1E, 0);
    for (uint8_t hole = 0; hole < HOLES; hole++) {
        pin_to(sensors[hole].group, sensors[hole].pin, 1);
    }
    uint32_t linearity = CALIBRATION_0 >> 27 | (CALIBRATION_1 & 7u) << 5, bias = CALIBRATION_1 >> 3 & 7u;
    ADC_CALIB = (uint16_t)(bias << 8 | linearity);
    ADC_REFCTRL = 2;    /* half the supply */
    ADC_CTRLB = 0x0120; /* 8 MHz / 8, ten bits */
    ADC_CTRLA = 2;

    GCLK_GENDIV = 2 | 32u << 8; /* the watchdog's own clock: 32 kHz / 32 */
    GCLK_GENCTRL = 2 | 3u << 8 | 1u << 16;
    clock_for(0x03, 2);
    WDT_CONFIG = 5; /* 256 of its cycles: a quarter of a second */
    WDT_CTRL = 2;
}

void board_fault(void) {
    for (;;) {
    }
}
