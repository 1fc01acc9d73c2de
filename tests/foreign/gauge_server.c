/* A gauge and a PLC behind one Modbus TCP address, served by libmodbus: a server that shares no code with the client under test.
 *
 *   gauge_server PORT DELAY_MS LATE_EVERY LATE_MS
 *
 * Unit 1 has input registers 100 to 113, unit 2 holding registers 0 to 3; everything else is exception 2, and other units do not
 * answer. Every answer takes DELAY_MS, every LATE_EVERY-th one LATE_MS (0: none). Port 0 takes a free one; it is printed.
 */
#include <arpa/inet.h>
#include <errno.h>
#include <modbus.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/select.h>
#include <unistd.h>

static void put(uint16_t *at, uint32_t bits, int little_words) {
    at[little_words ? 1 : 0] = bits >> 16;
    at[little_words ? 0 : 1] = bits & 0xffff;
}

static uint32_t bits_of(float value) {
    uint32_t bits;
    memcpy(&bits, &value, sizeof bits);
    return bits;
}

static uint16_t swapped(uint16_t word) { return (uint16_t)(word << 8 | word >> 8); }

int main(int argc, char **argv) {
    if (argc != 5) return 2;
    int delay = atoi(argv[2]), every = atoi(argv[3]), late = atoi(argv[4]), requests = 0;
    modbus_t *context = modbus_new_tcp("127.0.0.1", atoi(argv[1]));
    modbus_mapping_t *gauge = modbus_mapping_new_start_address(0, 0, 0, 0, 0, 0, 100, 14);
    modbus_mapping_t *plc = modbus_mapping_new_start_address(0, 0, 0, 0, 0, 4, 0, 0);
    if (context == NULL || gauge == NULL || plc == NULL) return 1;
    uint16_t *in = gauge->tab_input_registers;
    in[0] = (uint16_t)(int16_t)-123;       /* int16 */
    in[1] = 6000;                          /* uint16 */
    put(in + 2, 48000, 0);                 /* int32, high word first */
    put(in + 4, (uint32_t)-10204, 1);      /* int32, low word first */
    put(in + 6, bits_of(4.572f), 0);       /* float32, high word first */
    put(in + 8, bits_of(4.572f), 1);       /* float32, low word first */
    put(in + 10, bits_of(61.25f), 1);      /* float32, wholly little-endian */
    in[10] = swapped(in[10]);
    in[11] = swapped(in[11]);
    put(in + 12, 100000, 0);               /* uint32 that counts */
    plc->tab_registers[0] = 480;
    plc->tab_registers[1] = 1 << 5;        /* a bit */
    plc->tab_registers[2] = 65535;
    plc->tab_registers[3] = 7;

    int listener = modbus_tcp_listen(context, 8);
    struct sockaddr_in address;
    socklen_t size = sizeof address;
    if (listener < 0 || getsockname(listener, (struct sockaddr *)&address, &size) < 0) return 1;
    printf("%d\n", ntohs(address.sin_port));
    fflush(stdout);

    fd_set open, ready;
    FD_ZERO(&open);
    FD_SET(listener, &open);
    int highest = listener;
    for (;;) {
        ready = open;
        if (select(highest + 1, &ready, NULL, NULL, NULL) < 0) return 1;
        for (int one = 0; one <= highest; one++) {
            if (!FD_ISSET(one, &ready)) continue;
            if (one == listener) {
                int caller = accept(listener, NULL, NULL);
                if (caller >= 0) {
                    FD_SET(caller, &open);
                    if (caller > highest) highest = caller;
                }
                continue;
            }
            uint8_t query[MODBUS_TCP_MAX_ADU_LENGTH];
            modbus_set_socket(context, one);
            int length = modbus_receive(context, query);
            if (length < 0) {
                close(one);
                FD_CLR(one, &open);
                continue;
            }
            int unit = query[6];
            if (unit != 1 && unit != 2) continue;
            requests++;
            usleep(1000 * (every && requests % every == 0 ? late : delay));
            put(in + 12, 100000 + requests, 0);
            modbus_reply(context, query, length, unit == 1 ? gauge : plc);
        }
    }
}
