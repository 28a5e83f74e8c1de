/* Bytes in EEPROM. Writing takes 3.4 ms, in which nobody waits. */
#include <util/atomic.h>

#include "lj_avr.h"

bool lj_port_eeprom_ready(void) { return (EECR & (1 << EEPE)) == 0; }

uint8_t lj_port_eeprom_read(uint16_t at)
{
    EEAR = at;
    EECR |= (1 << EERE);
    return EEDR;
}

void lj_port_eeprom_write(uint16_t at, uint8_t byte)
{
    EEAR = at;
    EEDR = byte;
    /* The second bit must follow the first within four cycles. */
    ATOMIC_BLOCK(ATOMIC_RESTORESTATE)
    {
        EECR |= (1 << EEMPE);
        EECR |= (1 << EEPE);
    }
}
