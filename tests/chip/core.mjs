// The processor of rp2040js, mended where it does not do what an ARMv6-M core does and this image notices.
//
// Instructions are the emulator's own but for the two that carry. Nothing of the package is edited: the methods of one
// processor are replaced.

// NVIC: 26 lines, each with its level; an interrupt may also have been pended by software.
const FIRST_IRQ = 16;

export function mendCore(core) {
    mendExceptions(core);
    mendCarries(core);
    core.wakes = () => core.pendingNMI || core.pendingPendSV || core.pendingSVCall || core.pendingSystick
        || (core.pendingInterrupts & core.enabledInterrupts) !== 0;
}

// On entry the pending state ends, however it came about; on return a line that is still high pends again (ARMv6-M
// Architecture Reference Manual B3.4). As it was, an interrupt pended by software came again for ever.
function mendExceptions(core) {
    const { exceptionEntry, exceptionReturn } = core;
    let high = 0;
    let bySoftware = 0;

    core.setInterrupt = (irq, value) => {
        const bit = 1 << irq;
        if (value && !(high & bit)) {
            core.pendingInterrupts |= bit;
            core.interruptsUpdated = true;
        }
        if (!value && !(bySoftware & bit)) core.pendingInterrupts &= ~bit;
        high = value ? high | bit : high & ~bit;
    };
    core.pend = (bits) => {
        bySoftware |= bits;
        core.pendingInterrupts |= bits;
        core.interruptsUpdated = true;
    };
    core.unpend = (bits) => {
        bySoftware &= ~bits;
        core.pendingInterrupts &= ~(bits & ~high);
    };
    core.exceptionEntry = (number) => {
        exceptionEntry.call(core, number);
        // Vectors have bit 0 set, the program counter has not.
        core.PC &= ~1;
        if (number >= FIRST_IRQ) {
            const bit = 1 << (number - FIRST_IRQ);
            core.pendingInterrupts &= ~bit;
            bySoftware &= ~bit;
        }
    };
    core.exceptionReturn = (value) => {
        const number = core.IPSR;
        exceptionReturn.call(core, value);
        if (number >= FIRST_IRQ) core.pendingInterrupts |= high & (1 << (number - FIRST_IRQ));
    };
}

// ADCS and SBCS: the emulator adds the carry to an operand first, and looks at the sign of that sum. Where the sum
// leaves 32 bits, or 31, the overflow flag is wrong, and a comparison of two 64-bit numbers goes the wrong way.
function mendCarries(core) {
    const { executeInstruction } = core;
    const { registers } = core;
    const { flash16 } = core.rp2040;
    core.executeInstruction = () => {
        if (core.interruptsUpdated && core.checkForInterrupts()) core.waiting = false;
        const at = registers[15];
        const opcode = at >>> 24 === 0x10 ? flash16[(at & 0xffffff) >> 1] : core.readUint16(at);
        // 0100 0001 01: ADCS; 0100 0001 10: SBCS.
        if (opcode < 0x4140 || opcode > 0x41bf) return executeInstruction.call(core);
        const subtract = opcode >= 0x4180;
        const to = opcode & 7;
        const a = registers[to];
        // a − b − borrow is a + NOT b + carry.
        const b = subtract ? ~registers[(opcode >> 3) & 7] >>> 0 : registers[(opcode >> 3) & 7];
        const sum = a + b + (core.C ? 1 : 0);
        const result = sum >>> 0;
        registers[to] = result;
        core.N = result >>> 31 === 1;
        core.Z = result === 0;
        core.C = sum > 0xffffffff;
        core.V = (~(a ^ b) & (a ^ result)) >>> 31 === 1;
        core.PC += 2;
        core.cycles += 1;
        return 1;
    };
}
