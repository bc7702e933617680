// An image as the linker leaves it: the parts that are loaded, by their address in flash.
import fs from 'node:fs';

const LOAD = 1;

export function readImage(path) {
    const bytes = fs.readFileSync(path);
    if (bytes.readUInt32BE(0) !== 0x7f454c46 || bytes[4] !== 1) throw new Error(`${path} is no 32-bit ELF file`);
    const at = bytes.readUInt32LE(28), size = bytes.readUInt16LE(42), count = bytes.readUInt16LE(44);
    const parts = [];
    for (let i = 0; i < count; i++) {
        const header = at + i * size;
        const word = (n) => bytes.readUInt32LE(header + 4 * n);
        const [kind, offset, physical, inFile] = [word(0), word(1), word(3), word(4)];
        if (kind === LOAD && inFile > 0) parts.push([physical, bytes.subarray(offset, offset + inFile)]);
    }
    return parts;
}
