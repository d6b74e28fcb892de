#include "lines.h"

#include <simavr/avr_uart.h>
#include <stdbool.h>
#include <string.h>

#include "schedule.h"

DEFINE_FIFO(uint16_t, uart_fifo);

#define HOST_BYTE_CYCLES 160u /* 1,000,000 baud, 10 bits */
#define DIN_BIT_CYCLES (DIN_BYTE_CYCLES / 10u)
#define DIN_RECEIVED_CYCLES (9u * DIN_BIT_CYCLES + DIN_BIT_CYCLES * 10u / 16u)
#define FIFO_CYCLES 16u /* from handing a byte over to its flag */
#define RETRY_CYCLES 16u
#define RECEIVED_MOST 2 /* bytes that the controller's receiver holds */

static avr_t *avr;
static overrun_report report_overrun;
static avr_uart_t *uarts[2];
static avr_cycle_count_t host_free; /* the line from the host is taken up to here */
static uint8_t sent[65536];
static size_t sent_count;

/* Bytes that have come in, and that the program has not read: one at the emulator, the others here,
 * for it loses track of bytes that are read faster than it likes. */
static struct {
    uint8_t bytes[RECEIVED_MOST];
    int count;
    bool retrying;
} received[2];

void lines_retry(int uart) {
    static const char names[2] = {'0', '1'};
    received[uart].retrying = false;
    if (received[uart].count == 0) {
        return;
    }
    if (!uart_fifo_isempty(&uarts[uart]->input)) {
        received[uart].retrying = true;
        schedule((struct item){.cycle = avr->cycle + RETRY_CYCLES, .what = GIVE, .value = uart});
        return;
    }
    uint8_t byte = received[uart].bytes[0];
    received[uart].bytes[0] = received[uart].bytes[1];
    received[uart].count--;
    uarts[uart]->cycles_per_byte = FIFO_CYCLES; /* the byte has come in already */
    avr_raise_irq(avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ((uint32_t)names[uart]), UART_IRQ_INPUT),
                  byte);
    uarts[uart]->cycles_per_byte = HOST_BYTE_CYCLES; /* what goes out takes its time */
    if (received[uart].count > 0) {
        lines_retry(uart);
    }
}

void lines_received(int uart, uint8_t byte) {
    if (received[uart].count == RECEIVED_MOST) {
        report_overrun(uart, avr->cycle);
        return;
    }
    received[uart].bytes[received[uart].count++] = byte;
    if (!received[uart].retrying) {
        lines_retry(uart);
    }
}

static void on_output(struct avr_irq_t *irq, uint32_t value, void *param) {
    (void)irq;
    (void)param;
    if (sent_count < sizeof sent) {
        sent[sent_count++] = (uint8_t)value;
    }
}

void lines_from_host(uint8_t byte) {
    if (host_free < avr->cycle) {
        host_free = avr->cycle;
    }
    host_free += HOST_BYTE_CYCLES;
    schedule((struct item){.cycle = host_free - FIFO_CYCLES, .what = HOST_BYTE, .value = byte});
}

void lines_from_din(uint8_t byte, avr_cycle_count_t start) {
    int frame = (byte << 1) | 0x200; /* start bit 0, eight data bits, stop bit 1 */
    int level = 1;
    for (unsigned bit = 0; bit < 10; bit++) {
        int next = (frame >> bit) & 1;
        if (next != level) {
            level = next;
            schedule((struct item){
                .cycle = start + bit * DIN_BIT_CYCLES, .what = DIN_LINE, .value = level});
        }
    }
    schedule((struct item){
        .cycle = start + DIN_RECEIVED_CYCLES - FIFO_CYCLES, .what = DIN_BYTE, .value = byte});
}

size_t lines_take_sent(uint8_t *bytes, size_t most) {
    size_t count = (sent_count < most) ? sent_count : most;
    memcpy(bytes, sent, count);
    sent_count = 0;
    return count;
}

void lines_begin(avr_t *of, overrun_report report) {
    avr = of;
    report_overrun = report;
    for (avr_io_t *io = avr->io_port; io != NULL; io = io->next) {
        if (strcmp(io->kind, "uart") == 0) {
            avr_uart_t *uart = (avr_uart_t *)io;
            if (uart->name == '0' || uart->name == '1') {
                uarts[uart->name - '0'] = uart;
            }
        }
    }
    for (char name = '0'; name <= '1'; name++) {
        uint32_t flags = 0;
        avr_ioctl(avr, AVR_IOCTL_UART_SET_FLAGS((uint32_t)name), &flags);
    }
    avr_irq_register_notify(
        avr_io_getirq(avr, AVR_IOCTL_UART_GETIRQ((uint32_t)'0'), UART_IRQ_OUTPUT), on_output, NULL);
}
