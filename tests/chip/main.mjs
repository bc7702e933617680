// The shipped RP2040 image on an emulated part: node main.mjs IMAGE PORT.
//
// Its pins are on standard input and output (rig.mjs), its USB serial port on 127.0.0.1:PORT (line.mjs). The part runs as
// fast as it can, in lock step with the rig, and never far ahead of a host that is connected.
import { setTimeout as pause } from 'node:timers/promises';
import { readImage } from './image.mjs';
import { Line } from './line.mjs';
import { Part } from './part.mjs';
import { Rig, STEP_US } from './rig.mjs';

// Steps between looks at the socket.
const STEPS = 4;

const [, , image, port] = process.argv;
const rig = new Rig();
const line = new Line(Number(port));
const part = new Part(readImage(image), rig, line);

const turn = () => new Promise((done) => setImmediate(done));
for (let steps = 0; rig.exchange(part); steps++) {
    if (rig.power !== part.on) {
        if (rig.power) part.powerOn();
        else part.powerOff();
    }
    if (part.on) {
        if (line.up && !rig.cable) line.unplug();
        else if (rig.cable && line.usb === undefined) {
            line.plug(part.rp2040);
            line.usb.resetDevice();
        }
        rig.apply(part.rp2040);
        part.run(STEP_US * 1_000);
    }
    if (steps % STEPS === 0) {
        await turn();
        while (line.behind) await pause(1);
    }
}
process.exit(0);
