/* The port of the emulated core: a register each, at fixed addresses. */
#include "@prefix@.h"

#define REGISTERS ((volatile uint32_t *)@port@U)

int @prefix@_board_get(void);
void @prefix@_board_put(uint8_t byte);
uint32_t @prefix@_board_cycles(void);

int @prefix@_board_get(void)
{
    return (int)REGISTERS[0];
}

void @prefix@_board_put(uint8_t byte)
{
    REGISTERS[1] = byte;
}

#if !defined(@PREFIX@_BOARD_SYSTICK) && !defined(@PREFIX@_BOARD_MCYCLE)
uint32_t @prefix@_board_cycles(void)
{
    return REGISTERS[2];
}
#endif
