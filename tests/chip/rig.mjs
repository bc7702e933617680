// The rig at the part's pins, played by another program: standard output says what the part does, standard input what it
// meets. One exchange a millisecond of the part's time, and the part waits for it: nothing depends on how fast either is.
//
// to the rig       microseconds u64; pins u8: supply, vent, pilot, lamp; bites of the watchdog u8; operations of the flash
//                  begun u8; 1 while one is under way u8
// from the rig     contacts and read-backs that are high u8: GPIO 6, 7, 8, 10, 11, 12, 13; orders u8: power, cable, converter
//                  works; codes u16, for each of GPIO 26 to 29 those of the next eight conversions
import fs from 'node:fs';

export const STEP_US = 1_000;
const INPUTS = [6, 7, 8, 10, 11, 12, 13];
const OUTPUTS = [2, 3, 4, 25];
const CODES = 8, CHANNELS = 4;

export class Rig {
    constructor() {
        this.reply = Buffer.alloc(2 + 2 * CODES * CHANNELS);
        this.report = Buffer.alloc(12);
        this.next = new Uint8Array(CHANNELS);
        this.us = 0;
    }

    // False once the rig has gone.
    exchange(part) {
        const { report, reply } = this;
        report.writeBigUInt64LE(BigInt(this.us), 0);
        this.us += STEP_US;
        const pins = part.on ? OUTPUTS.map((pin) => part.isHigh(pin)) : [];
        report[8] = pins.reduce((bits, high, i) => bits | (high ? 1 << i : 0), 0);
        report[9] = part.bites & 0xff;
        report[10] = part.chip.begun & 0xff;
        report[11] = part.busy ? 1 : 0;
        fs.writeSync(1, report);
        for (let got = 0; got < reply.length; ) {
            const count = fs.readSync(0, reply, got, reply.length - got);
            if (count === 0) return false;
            got += count;
        }
        this.next.fill(0);
        return true;
    }

    get power() {
        return (reply(this) & 1) !== 0;
    }

    get cable() {
        return (reply(this) & 2) !== 0;
    }

    get converterWorks() {
        return (reply(this) & 4) !== 0;
    }

    apply(rp2040) {
        INPUTS.forEach((pin, i) => {
            const high = (this.reply[0] & (1 << i)) !== 0;
            if (rp2040.gpio[pin].rawInputValue !== high) rp2040.gpio[pin].setInputValue(high);
        });
    }

    // The next code of a channel; should the image convert more often than was thought, the last ones come again.
    code(channel) {
        const at = this.next[channel]++ % CODES;
        return this.reply.readUInt16LE(2 + 2 * (channel * CODES + at));
    }
}

const reply = (rig) => rig.reply[1];
