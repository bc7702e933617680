// The flash chip and its serial interface: what the second-stage loader asks of them, and whether code may be read.
//
// Reading flash as memory works only in the state that the second-stage loader leaves the interface in. A read while the
// chip is being erased or programmed, or is waiting for commands, would give anything on the part; here it ends the
// emulator, so that code which should have been in RAM is found.
import { BasePeripheral } from 'rp2040js';

// RP2040 datasheet 4.10.13.
const CTRLR0 = 0x00, SSIENR = 0x08, SR = 0x28, IDR = 0x58, DR0 = 0x60, SPI_CTRLR0 = 0xf4;
const SR_IDLE = 0x06, SR_RECEIVED = 0x08;

// Longest times in the data sheets of the usual chips (from memory): a sector erased, a page programmed.
const ERASE_NS = 400e6, PROGRAM_NS = 3e6;
export const SECTOR = 4096, PAGE = 256;

// The chip: keeps its contents and its settings without power.
export class FlashChip {
    constructor(bytes) {
        this.bytes = bytes;
        this.status2 = 0;
        this.writable = false;
        // Erases and page programs begun since the chip was made.
        this.begun = 0;
        this.chance = 0x2545f491;
        this.select();
    }

    select() {
        this.sent = [];
    }

    // One byte out, one byte in; chip select ends when the interface is idle.
    shift(byte) {
        this.sent.push(byte);
        const [command] = this.sent;
        const position = this.sent.length - 1;
        if (command === 0x06) this.writable = true;
        if (command === 0x05) return this.writable ? 2 : 0;
        if (command === 0x35 && position > 0) return this.status2;
        if (command === 0x01 && position === 2 && this.writable) this.status2 = byte;
        return 0;
    }

    erase(offset) {
        return this.operation(ERASE_NS, offset, new Uint8Array(SECTOR).fill(0xff));
    }

    // Programming only clears bits.
    program(offset, page) {
        return this.operation(PROGRAM_NS, offset, page.map((byte, i) => byte & this.bytes[offset + i]));
    }

    operation(nanos, offset, becomes) {
        this.begun += 1;
        const put = (reached) => becomes.forEach((to, i) => {
            const mask = reached();
            this.bytes[offset + i] = (to & mask) | (this.bytes[offset + i] & ~mask);
        });
        return { nanos, finish: () => put(() => 0xff), cut: () => put(() => this.random()) };
    }

    random() {
        this.chance ^= this.chance << 13;
        this.chance ^= this.chance >>> 17;
        this.chance ^= this.chance << 5;
        return (this.chance >>> 11) & 0xff;
    }
}

// The interface.
export class Ssi extends BasePeripheral {
    constructor(rp2040, chip, onChange) {
        super(rp2040, 'SSI');
        this.chip = chip;
        this.registers = {};
        this.received = [];
        this.continuous = false;
        this.onChange = onChange;
    }

    // Quad reads of words (frame format 2, transfer mode 3) of a chip that was told to expect addresses without commands.
    get readsAsMemory() {
        const control = this.registers[CTRLR0] ?? 0;
        const on = this.registers[SSIENR] === 1 && ((control >> 8) & 3) === 3 && ((control >> 21) & 3) === 2;
        return on && this.continuous && ((this.registers[SPI_CTRLR0] ?? 0) >>> 24) === 0xa0;
    }

    // As the ROM's functions leave it: commands are taken, nothing is read as memory.
    commands() {
        this.registers[SSIENR] = 1;
        this.registers[CTRLR0] = 7 << 16;
        this.continuous = false;
        this.onChange();
    }

    readUint32(offset) {
        if (offset === SR) {
            this.chip.select();
            return SR_IDLE | (this.received.length > 0 ? SR_RECEIVED : 0);
        }
        if (offset === DR0) return this.received.shift() ?? 0;
        if (offset === IDR) return 0x51535049;
        return this.registers[offset] ?? 0;
    }

    writeUint32(offset, value) {
        if (offset !== DR0) {
            this.registers[offset] = value >>> 0;
            if (this.readsAsMemory) this.onReading?.();
            this.onChange();
        } else if ((((this.registers[CTRLR0] ?? 0) >> 21) & 3) === 0) this.received.push(this.chip.shift(value & 0xff));
        // In quad mode the loader sends one read with the mode byte that makes the chip expect no command any more, which
        // needs the chip's quad-enable bit.
        else if (value === 0xa0) this.continuous = (this.chip.status2 & 2) !== 0;
    }
}
