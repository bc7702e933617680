// The part: power on and off, reset, and running for a while.
import { RP2040 } from 'rp2040js';
import { mendCore } from './core.mjs';
import { FlashChip, Ssi } from './flash.mjs';
import { installRom, startLoader } from './rom.mjs';
import { CYCLE_NS, Watchdog, mendPrivate } from './timers.mjs';

const SSI = 0x18000, ROSC = 0x40060, WATCHDOG = 0x40058;
const FLASH_BYTES = 2 * 1024 * 1024;
// Conversions take 96 cycles at 48 MHz (RP2040 datasheet 4.9.2).
const CONVERSION_NS = 2_000;

export class Part {
    constructor(image, rig, line) {
        this.rig = rig;
        this.line = line;
        this.chip = new FlashChip(new Uint8Array(FLASH_BYTES).fill(0xff));
        for (const [address, bytes] of image) this.chip.bytes.set(bytes, address - 0x10000000);
        this.bites = 0;
        this.on = false;
    }

    powerOn() {
        // What memory holds then is anything.
        this.start(new Uint8Array(264 * 1024).map(() => this.chip.random()), false);
    }

    powerOff() {
        this.operation?.cut();
        this.forget();
        this.on = false;
        this.line.unplug();
    }

    // Everything but memory begins anew; the clock too.
    reset(byWatchdog) {
        // The flash chip does not hear of it, and goes on to the end.
        this.operation?.finish();
        this.forget();
        this.line.unplug();
        this.start(this.rp2040.sram, byWatchdog);
    }

    start(memory, byWatchdog) {
        const rp2040 = new RP2040();
        rp2040.logger = { debug() {}, info() {}, warn: (who, what) => this.odd(who, what), error: (who, what) => this.odd(who, what) };
        this.rp2040 = rp2040;
        this.on = true;
        this.due = undefined;
        rp2040.sram.set(memory);
        rp2040.flash.set(this.chip.bytes);
        // One memory, so that what is programmed is what is read.
        this.chip.bytes = rp2040.flash.subarray(0, FLASH_BYTES);
        mendCore(rp2040.core);
        mendPrivate(rp2040);
        rp2040.ppb.onReset = () => (this.due = () => this.reset(false));
        const watchdog = new Watchdog(rp2040, byWatchdog, () => {
            this.bites += 1;
            this.due = () => this.reset(true);
        });
        const ssi = new Ssi(rp2040, this.chip, () => this.guardFlash(ssi));
        rp2040.peripherals[WATCHDOG] = watchdog;
        rp2040.peripherals[SSI] = ssi;
        rp2040.peripherals[ROSC] = new RingOscillator(rp2040.peripherals[ROSC]);
        installRom(rp2040, ssi, (operations) => (this.stalled = operations));
        this.guard(false);
        rp2040.adc.onADCRead = (channel) => this.convert(channel);
        this.rig.apply(rp2040);
        if (this.rig.cable) this.line.plug(rp2040);
        startLoader(rp2040);
    }

    // Something that the emulator does not know; each is said once.
    odd(who, what) {
        this.said ??= new Set();
        // USB registers that the image only clears.
        if (who === 'USB' || this.said.has(what)) return;
        this.said.add(what);
        process.stderr.write(`${who}: ${what}\n`);
    }

    convert(channel) {
        const { adc, clock } = this.rp2040;
        if (!this.rig.converterWorks) return;
        this.converted ??= new WeakMap();
        if (!this.converted.has(adc)) {
            const alarm = clock.createAlarm(() => adc.completeADCRead(this.rig.code(adc.channelRead), false));
            this.converted.set(adc, alarm);
        }
        adc.channelRead = channel;
        this.converted.get(adc).schedule(CONVERSION_NS);
    }

    isHigh(pin) {
        const { outputEnable, outputValue } = this.rp2040.gpio[pin];
        return outputEnable && outputValue;
    }

    // Whether the flash chip is at work.
    get busy() {
        return this.operation !== undefined;
    }

    forget() {
        this.operation = undefined;
        this.stalled = undefined;
    }

    guardFlash(ssi) {
        this.guard(ssi.readsAsMemory);
    }

    // Reads of flash that cannot succeed end the emulator.
    guard(readable) {
        const { core } = this.rp2040;
        if (this.readable === readable && this.guarded === core) return;
        this.readable = readable;
        this.guarded = core;
        const quick = quickReads(this.rp2040);
        for (const name of ['readUint32', 'readUint16', 'readUint8']) {
            const read = Object.getPrototypeOf(core)[name];
            const checked = (address) => {
                if (address >>> 26 === 0x10000000 >>> 26) {
                    const at = core.PC.toString(16);
                    throw new Error(`flash at ${(address >>> 0).toString(16)} is read at ${at}, while it cannot be`);
                }
                return read.call(core, address);
            };
            core[name] = readable ? quick[name] : checked;
        }
    }

    // Runs for so long.
    run(nanos) {
        if (!this.on) return;
        let { core, clock } = this.rp2040;
        const until = clock.nanos + nanos;
        while (clock.nanos < until) {
            if (this.due !== undefined) {
                const due = this.due;
                this.due = undefined;
                due();
                // What is left of this while passes in the reset.
                return;
            }
            if (this.stalled !== undefined) this.flashWork(until);
            else if (core.waiting && !core.wakes()) this.sleep(until);
            else {
                core.waiting = false;
                clock.tick(core.executeInstruction() * CYCLE_NS);
            }
        }
    }

    sleep(until) {
        const { clock } = this.rp2040;
        const next = clock.nextAlarm?.nanos ?? until;
        clock.tick(Math.max(0, Math.min(next, until) - clock.nanos));
    }

    // The core waits in the ROM for one operation after the other.
    flashWork(until) {
        const { clock } = this.rp2040;
        if (this.operation === undefined) {
            const begin = this.stalled.shift();
            if (begin === undefined) {
                this.stalled = undefined;
                return;
            }
            this.operation = begin();
            this.operation.ends = clock.nanos + this.operation.nanos;
        }
        const { ends } = this.operation;
        this.pass(Math.min(ends, until));
        if (this.due === undefined && clock.nanos >= ends) {
            this.operation.finish();
            this.operation = undefined;
        }
    }

    // Time passes, alarms come, and nothing is executed; a reset ends it.
    pass(until) {
        const { clock } = this.rp2040;
        while (this.due === undefined && clock.nanos < until) this.sleep(until);
    }
}

// Flash and memory without the emulator's way through every kind of address: half of all the time goes there.
function quickReads(rp2040) {
    const { flashView, sramView, flash16, sram, flash } = rp2040;
    return {
        readUint32(address) {
            const block = address >>> 24;
            if (block === 0x10) return flashView.getUint32(address & 0xffffff, true);
            if (block === 0x20) return sramView.getUint32(address & 0xffffff, true);
            return rp2040.readUint32(address);
        },
        readUint16(address) {
            const block = address >>> 24;
            if (block === 0x10) return flash16[(address & 0xffffff) >> 1];
            if (block === 0x20) return sramView.getUint16(address & 0xffffff, true);
            return rp2040.readUint16(address);
        },
        readUint8(address) {
            const block = address >>> 24;
            if (block === 0x10) return flash[address & 0xffffff];
            if (block === 0x20) return sram[address & 0xffffff];
            return rp2040.readUint8(address);
        },
    };
}

// Bits that differ from each other are all that is asked of it.
class RingOscillator {
    constructor(rest) {
        this.rest = rest;
        this.bits = 0x1f123bb5;
    }

    readUint32(offset) {
        if (offset !== 0x1c) return this.rest.readUint32(offset);
        this.bits = (Math.imul(this.bits, 1664525) + 1013904223) | 0;
        return this.bits >>> 31;
    }

    writeUint32Atomic(offset, value, kind) {
        this.rest.writeUint32Atomic(offset, value, kind);
    }
}
