/* EEPROM of programs whose board has none: it is never ready, and empty. */
#include "limberjack.h"

bool lj_port_eeprom_ready(void)
{
    return false;
}

uint8_t lj_port_eeprom_read(uint16_t at)
{
    (void)at;
    return 0xffu;
}

void lj_port_eeprom_write(uint16_t at, uint8_t byte)
{
    (void)at;
    (void)byte;
}
