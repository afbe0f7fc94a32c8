/* A program of 32 bit that waits. */
.globl _start
_start:
    mov $29, %eax
    int $0x80
