// What stands for the boot ROM, which is not in the package: the check and start of the second-stage loader, and the
// functions the image calls.
//
// The functions are not the ROM's own code: each is a breakpoint that is carried out here. What is checked is the calls:
// order, alignment, and that no code is read from flash meanwhile.
import { PAGE, SECTOR } from './flash.mjs';

const LOADER_AT = 0x20041f00;
const FUNCTION_TABLE = 0x14, LOOKUP = 0x18, CODE = 0x100;
const NAMES = ['lookup', 'IF', 'EX', 'RE', 'RP', 'FC', 'CX'];

// CRC-32/MPEG-2 over the first 252 bytes (RP2040 datasheet 2.8.1.3.1).
function checkSum(bytes) {
    let crc = 0xffffffff;
    for (const byte of bytes) {
        crc ^= byte << 24;
        for (let bit = 0; bit < 8; bit++) crc = crc & 0x80000000 ? (crc << 1) ^ 0x04c11db7 : crc << 1;
    }
    return crc >>> 0;
}

export function startLoader(rp2040) {
    const loader = rp2040.flash.subarray(0, 256);
    const said = new DataView(loader.buffer, loader.byteOffset).getUint32(252, true);
    if (checkSum(loader.subarray(0, 252)) !== said) throw new Error('the second-stage loader has a wrong check sum');
    rp2040.sram.set(loader, LOADER_AT - 0x20000000);
    const { core } = rp2040;
    core.SP = LOADER_AT;
    core.LR = 0;
    core.PC = LOADER_AT;
}

// `stall` has the core wait for an operation of the flash chip.
export function installRom(rp2040, ssi, stall) {
    const half = (at, value) => {
        const shift = (at & 2) * 8;
        rp2040.bootrom[at >> 2] = (rp2040.bootrom[at >> 2] & ~(0xffff << shift)) | (value << shift);
    };
    // Breakpoint with the function's number, then back to the caller.
    const place = (number) => CODE + 4 * number;
    NAMES.forEach((_, number) => {
        half(place(number), 0xbe00 | number);
        half(place(number) + 2, 0x4770);
    });
    half(FUNCTION_TABLE, 0x20);
    half(LOOKUP, place(0) | 1);

    let connected = false;
    let pinHeld = false;
    const wrong = (why) => {
        throw new Error(`a function of the ROM was called wrongly: ${why}`);
    };
    const inCommands = (name) => {
        if (!connected || ssi.readsAsMemory) wrong(`${name} while flash is read as memory`);
    };
    const functions = {
        lookup(core) {
            const code = String.fromCharCode(core.registers[1] & 0xff, core.registers[1] >> 8);
            const number = NAMES.indexOf(code);
            core.registers[0] = number > 0 ? place(number) | 1 : 0;
        },
        IF() {
            connected = true;
        },
        EX() {
            if (!connected) wrong('flash_exit_xip before connect_internal_flash');
            pinHeld = true;
            ssi.commands();
        },
        RE(core) {
            const [from, count, block] = core.registers;
            inCommands('flash_range_erase');
            if (from % SECTOR || count % SECTOR || !(block >= SECTOR)) wrong(`flash_range_erase(${from}, ${count}, ${block})`);
            const sectors = Array.from({ length: count / SECTOR }, (_, i) => from + i * SECTOR);
            stall(sectors.map((at) => () => ssi.chip.erase(at)));
        },
        RP(core) {
            const [to, data, count] = core.registers;
            inCommands('flash_range_program');
            if (to % PAGE || count % PAGE || data >>> 28 !== 2) wrong(`flash_range_program(${to}, ${data}, ${count})`);
            const bytes = rp2040.sram.slice(data - 0x20000000, data - 0x20000000 + count);
            const pages = Array.from({ length: count / PAGE }, (_, i) => i * PAGE);
            stall(pages.map((at) => () => ssi.chip.program(to + at, bytes.slice(at, at + PAGE))));
        },
        FC() {
            inCommands('flash_flush_cache');
            pinHeld = false;
        },
        CX() {
            wrong('flash_enter_cmd_xip: the image enters by its own second-stage loader');
        },
    };
    // flash_exit_xip drives the chip-select pin by hand, and flash_flush_cache lets go of it.
    ssi.onReading = () => {
        if (pinHeld) wrong('flash is read as memory before flash_flush_cache');
        connected = false;
    };
    rp2040.onBreak = (number) => {
        const name = NAMES[number];
        if (rp2040.core.PC > 0x4000 || name === undefined) throw new Error(`a breakpoint at ${rp2040.core.PC.toString(16)}`);
        functions[name](rp2040.core);
    };
}
