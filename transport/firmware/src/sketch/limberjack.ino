/* This board in the layout of a sketch. All of it is in src: its program has a main of its own
 * (src/start.c), so that of the IDE's core nothing is linked, neither main nor init nor the
 * interrupt of millis: Timer0 stands or dims lamps, and no interrupt comes between the
 * pulses but the board's own.
 *
 * So nothing can be added here: setup and loop are never called, and what uses Serial,
 * millis, delay, Wire or Servo would claim interrupts that the board has, which the linker refuses
 * ("multiple definition of `__vector_18'", or another number).
 *
 * Choose the board Uno, or another with an ATmega328P at 16 MHz; for a program of an ATmega2560
 * the board Mega 2560. Its bootloader must cope with a watchdog reset: that of the Uno does; old
 * ones for the Nano, for the Mega and before do not, and stay in the bootloader for ever once
 * the watchdog has fired: then choose "Burn Bootloader" with the board Uno, or Mega, first. CAUTION: servos have no pulses, and are limp, while a bootloader waits, about
 * 1 s after each reset, and a host that opens the port resets the board. */
#if !defined(__AVR_ATmega328P__) && !defined(__AVR_ATmega2560__)
#error "this is for an ATmega328P or an ATmega2560: choose the board Uno or Mega 2560"
#endif
#if F_CPU != 16000000L
#error "this is for 16 MHz: choose the board Uno or Mega 2560"
#endif

void setup() {}

void loop() {}
