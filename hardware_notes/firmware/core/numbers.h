/* The wire's numbers and layouts, and the fingerings. Written by generate.py from the Python program: */
/* change it there, then run `make header`. A test fails while the two differ.                        */
#ifndef FINGERLEAD_NUMBERS_H
#define FINGERLEAD_NUMBERS_H

#include <stdint.h>

#define HOLES                        8         /* hole 0 is the thumb; bit i of a mask is 1 while hole i is covered */

/* Message types */
#define TYPE_HELLO                   0x01
#define TYPE_HOLES                   0x02
#define TYPE_RAW                     0x03
#define TYPE_ANSWER                  0x04
#define TYPE_TROUBLE                 0x05
#define TYPE_SLOPE                   0x06
#define TYPE_WHO                     0x81
#define TYPE_STREAM                  0x82
#define TYPE_SET_THRESHOLDS          0x83
#define TYPE_GET_THRESHOLDS          0x84
#define TYPE_KEEP                    0x85
#define TYPE_CLOCK                   0x86
#define TYPE_RESTART                 0x87

/* Payloads: least size with the type byte, and where each field lies in the payload */
#define HELLO_SIZE                   18
#define HOLES_SIZE                   8
#define RAW_SIZE                     23
#define ANSWER_SIZE                  3
#define TROUBLE_SIZE                 9
#define SLOPE_SIZE                   12
#define WHO_SIZE                     2
#define STREAM_SIZE                  5
#define SET_THRESHOLDS_SIZE          34
#define GET_THRESHOLDS_SIZE          2
#define KEEP_SIZE                    2
#define CLOCK_SIZE                   10
#define RESTART_SIZE                 2
#define HELLO_AT_PROTOCOL            1         /* 1 byte */
#define HELLO_AT_DEVICE_ID           2         /* 8 bytes */
#define HELLO_AT_FIRMWARE            10        /* 3 bytes */
#define HELLO_AT_HOLES               13        /* 1 byte */
#define HELLO_AT_ABILITIES           14        /* 1 byte */
#define HELLO_AT_SCAN_RATE           15        /* 2 bytes */
#define HELLO_AT_RAW_BITS            17        /* 1 byte */
#define HOLES_AT_SEQUENCE            1         /* 2 bytes */
#define HOLES_AT_TIME                3         /* 4 bytes */
#define HOLES_AT_MASK                7         /* 1 byte */
#define RAW_AT_SEQUENCE              1         /* 2 bytes */
#define RAW_AT_TIME                  3         /* 4 bytes */
#define RAW_AT_SAMPLES               7         /* 16 bytes */
#define SLOPE_AT_SEQUENCE            1         /* 2 bytes */
#define SLOPE_AT_TIME                3         /* 4 bytes */
#define SLOPE_AT_HOLE                7         /* 1 byte */
#define SLOPE_AT_RISE                8         /* 2 bytes */
#define SLOPE_AT_LEVEL               10        /* 2 bytes */
#define ANSWER_AT_REQUEST            1         /* 1 byte */
#define ANSWER_AT_STATUS             2         /* 1 byte */
#define TROUBLE_AT_CODE              1         /* 1 byte */
#define TROUBLE_AT_HOLE              2         /* 1 byte */
#define TROUBLE_AT_DETAIL            3         /* 2 bytes */
#define TROUBLE_AT_TIME              5         /* 4 bytes */
#define WHO_AT_REQUEST               1         /* 1 byte */
#define STREAM_AT_REQUEST            1         /* 1 byte */
#define STREAM_AT_WHAT               2         /* 1 byte */
#define STREAM_AT_RAW_RATE           3         /* 2 bytes */
#define SET_THRESHOLDS_AT_REQUEST    1         /* 1 byte */
#define SET_THRESHOLDS_AT_LEVELS     2         /* 32 bytes */
#define CLOCK_AT_REQUEST             1         /* 1 byte */
#define CLOCK_AT_HOST_TIME           2         /* 8 bytes */
#define NAME_MOST                    24        /* the name follows the hello's fields; then a zero, then the boot number u16 */
#define HELLO_MOST                   45        /* 18 + name + zero + boot number */

/* Values */
#define PROTOCOL                     1
#define STATUS_DONE                  0
#define STATUS_UNKNOWN_REQUEST       1
#define STATUS_BAD_VALUE             2
#define STATUS_NOT_ABLE              3
#define STATUS_STORAGE_FAILED        4
#define TROUBLE_SENSOR_STUCK         1
#define TROUBLE_SCAN_OVERRUN         2
#define TROUBLE_SEND_BUFFER_FULL     3
#define TROUBLE_SUPPLY_LOW           4
#define TROUBLE_RESTARTED_BY_WATCHDOG 5
#define TROUBLE_CHATTER              6
#define TROUBLE_FLICKER              7
#define TROUBLE_SLOW_RELEASE         8
#define TROUBLE_DRIFT                9
#define TROUBLE_SATURATION           10
#define TROUBLE_SLOW_SENSOR          11
#define NO_HOLE                      255
#define CAN_RAW                      1
#define CAN_STORE_THRESHOLDS         2
#define CAN_SLOPES                   8
#define STREAM_NOTHING               0
#define STREAM_HOLES                 1         /* a bit */
#define STREAM_RAW                   2         /* a bit */
#define STREAM_BOTH                  3

/* Carriers */
#define PAYLOAD_MOST                 200
#define STREAM_FRAME_MOST            204       /* its zero included */
#define SYSEX_MOST                   236       /* F0 and F7 included */
#define SYSEX_HEADER_0               0xF0
#define SYSEX_HEADER_1               0x7D
#define SYSEX_HEADER_2               0x46
#define SYSEX_HEADER_3               0x4C
#define SYSEX_END                    0xF7
#define RAW_STREAM_FRAME             27        /* bytes of a raw frame */
#define RAW_SYSEX_FRAME              34
#define LONGEST_FRAME                59        /* the longest that a chanter sends, either carrier */

/* Times and rates */
#define HELLO_EVERY_US               5000000u
#define BEAT_US                      95000u    /* a little less than the 100 ms that the wire asks for */
#define SETTLE_US                    2000u     /* an edge is real once it has lasted this long */
#define SLOWEST_RAW_HZ               10u
#define EDGES_SHARE                  4u        /* one part in so many of the link is not for raw frames */

/* Fingerings: each note's mask, low G up to high A; the note (0 to 8) that each mask sounds. */
#define NOTES                        9
static const uint8_t STANDARD_MASKS[NOTES] = {
    0xFF, 0x7F, 0x3F, 0x9F, 0x8F, 0x77, 0x73, 0x71, 0x78
};
static const uint8_t SOUNDING[256] = {
    0x08, 0x07, 0x08, 0x06, 0x08, 0x07, 0x08, 0x05, 0x08, 0x07, 0x08, 0x06, 0x08, 0x07, 0x08, 0x04,
    0x08, 0x07, 0x08, 0x06, 0x08, 0x07, 0x08, 0x05, 0x08, 0x07, 0x08, 0x06, 0x08, 0x07, 0x08, 0x03,
    0x08, 0x07, 0x08, 0x06, 0x08, 0x07, 0x08, 0x05, 0x08, 0x07, 0x08, 0x06, 0x08, 0x07, 0x08, 0x04,
    0x08, 0x07, 0x08, 0x06, 0x08, 0x07, 0x08, 0x05, 0x08, 0x07, 0x08, 0x06, 0x08, 0x07, 0x08, 0x02,
    0x08, 0x07, 0x08, 0x06, 0x08, 0x07, 0x08, 0x05, 0x08, 0x07, 0x08, 0x06, 0x08, 0x07, 0x08, 0x04,
    0x08, 0x07, 0x08, 0x06, 0x08, 0x07, 0x08, 0x05, 0x08, 0x07, 0x08, 0x06, 0x08, 0x07, 0x08, 0x03,
    0x08, 0x07, 0x08, 0x06, 0x08, 0x07, 0x08, 0x05, 0x08, 0x07, 0x08, 0x06, 0x08, 0x07, 0x08, 0x04,
    0x08, 0x07, 0x08, 0x06, 0x08, 0x07, 0x08, 0x05, 0x08, 0x07, 0x08, 0x06, 0x08, 0x07, 0x08, 0x01,
    0x08, 0x07, 0x08, 0x06, 0x08, 0x07, 0x08, 0x05, 0x08, 0x07, 0x08, 0x06, 0x08, 0x07, 0x08, 0x04,
    0x08, 0x07, 0x08, 0x06, 0x08, 0x07, 0x08, 0x05, 0x08, 0x07, 0x08, 0x06, 0x08, 0x07, 0x08, 0x03,
    0x08, 0x07, 0x08, 0x06, 0x08, 0x07, 0x08, 0x05, 0x08, 0x07, 0x08, 0x06, 0x08, 0x07, 0x08, 0x04,
    0x08, 0x07, 0x08, 0x06, 0x08, 0x07, 0x08, 0x05, 0x08, 0x07, 0x08, 0x06, 0x08, 0x07, 0x08, 0x02,
    0x08, 0x07, 0x08, 0x06, 0x08, 0x07, 0x08, 0x05, 0x08, 0x07, 0x08, 0x06, 0x08, 0x07, 0x08, 0x04,
    0x08, 0x07, 0x08, 0x06, 0x08, 0x07, 0x08, 0x05, 0x08, 0x07, 0x08, 0x06, 0x08, 0x07, 0x08, 0x03,
    0x08, 0x07, 0x08, 0x06, 0x08, 0x07, 0x08, 0x05, 0x08, 0x07, 0x08, 0x06, 0x08, 0x07, 0x08, 0x04,
    0x08, 0x07, 0x08, 0x06, 0x08, 0x07, 0x08, 0x05, 0x08, 0x07, 0x08, 0x06, 0x08, 0x07, 0x08, 0x00
};

#endif
