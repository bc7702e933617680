// System timer, watchdog and the registers beside them, in place of the emulator's own.
//
// The emulator's system timer is a cycle short in each period and does not end a WFI; its watchdog's alarm, once due, is
// due for ever.
import { BasePeripheral } from 'rp2040js';

// The core's clock throughout; before the image has set its clocks the part is slower.
export const CYCLE_NS = 8;

// ARMv6-M: SysTick, NVIC set and clear pending, and the memory protection unit, which takes settings and forbids nothing.
const CSR = 0x10, RVR = 0x14, CVR = 0x18, ISPR = 0x200, ICPR = 0x280, AIRCR = 0xd0c, MPU_TYPE = 0xd90, MPU_LAST = 0xda0;

export function mendPrivate(rp2040) {
    const { ppb, core, clock } = rp2040;
    const read = ppb.readUint32.bind(ppb), write = ppb.writeUint32.bind(ppb);
    const mpu = {};
    let csr = 0, reload = 0, passed = false, began = 0;
    const alarm = clock.createAlarm(() => {
        passed = true;
        if (csr & 2) {
            core.pendingSystick = true;
            core.interruptsUpdated = true;
        }
        start();
    });
    // From the reload value down to 0, and one cycle more.
    const period = () => (reload + 1) * CYCLE_NS;
    function start() {
        alarm.cancel();
        began = clock.nanos;
        if (csr & 1 && reload > 0) alarm.schedule(period());
    }
    ppb.readUint32 = (offset) => {
        if (offset === CSR) {
            const value = csr | (passed ? 1 << 16 : 0);
            passed = false;
            return value;
        }
        if (offset === RVR) return reload;
        if (offset === CVR) return csr & 1 ? Math.max(0, reload - Math.floor((clock.nanos - began) / CYCLE_NS)) : 0;
        if (offset === MPU_TYPE) return 8 << 8;
        if (offset > MPU_TYPE && offset <= MPU_LAST) return mpu[offset] ?? 0;
        return read(offset);
    };
    ppb.writeUint32 = (offset, value) => {
        if (offset === CSR) {
            csr = value & 7;
            start();
        } else if (offset === RVR) reload = value & 0xffffff;
        else if (offset === CVR) start();
        else if (offset === ISPR) core.pend(value);
        else if (offset === ICPR) core.unpend(value);
        else if (offset === AIRCR) ppb.onReset?.();
        else if (offset > MPU_TYPE && offset <= MPU_LAST) mpu[offset] = value;
        else write(offset, value);
    };
}

// RP2040 datasheet 4.7: counts down two a microsecond (erratum RP2040-E1), and resets once.
export class Watchdog extends BasePeripheral {
    constructor(rp2040, caused, onBite) {
        super(rp2040, 'WATCHDOG');
        this.reason = caused ? 1 : 0;
        this.ctrl = 7 << 24;
        this.scratch = new Uint32Array(8);
        this.tick = 0;
        this.load = 0;
        this.due = 0;
        this.alarm = rp2040.clock.createAlarm(onBite);
    }

    get left() {
        const running = this.ctrl & (1 << 30);
        return running ? Math.max(0, Math.floor((this.due - this.rp2040.clock.nanos) / 500)) : this.load;
    }

    readUint32(offset) {
        if (offset === 0x00) return this.ctrl | this.left;
        if (offset === 0x08) return this.reason;
        if (offset >= 0x0c && offset <= 0x28) return this.scratch[(offset - 0x0c) >> 2];
        if (offset === 0x2c) return this.tick | (this.tick & (1 << 9) ? 1 << 10 : 0);
        return super.readUint32(offset);
    }

    writeUint32(offset, value) {
        if (offset === 0x00) {
            const left = this.left;
            this.ctrl = value & ((1 << 30) | (7 << 24));
            this.run(left);
        } else if (offset === 0x04) {
            this.load = value & 0xffffff;
            this.run(this.load);
        } else if (offset >= 0x0c && offset <= 0x28) this.scratch[(offset - 0x0c) >> 2] = value;
        else if (offset === 0x2c) this.tick = value & 0x3ff;
        else super.writeUint32(offset, value);
    }

    run(left) {
        this.load = left;
        this.alarm.cancel();
        this.due = this.rp2040.clock.nanos + left * 500;
        if (this.ctrl & (1 << 30)) this.alarm.schedule(left * 500);
    }
}
