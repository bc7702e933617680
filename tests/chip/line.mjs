// The host at the other end of the USB cable, as far as a serial port needs it, and the socket its bytes come from.
//
// The emulator's own end answers every request for data at once, with nothing where it has nothing, and the part then
// does little else. Here a request waits until there is something, as a host that sends nothing does.
import net from 'node:net';
import { USBCDC } from 'rp2040js';

// How far the part may be ahead of a host that says nothing, in its own time: the host speaks every 100 ms of real time,
// and after 1 s of the part's time counts as lost. So a host that is slow is waited for, and not lost.
const AHEAD_NS = 500e6;
// Who says nothing for so long in real time is no host, or has stopped.
const PATIENCE_MS = 5_000;

export class Line {
    constructor(port) {
        this.port = port;
        this.server = net.createServer((socket) => this.accept(socket));
        this.waiting = [];
        this.wanted = [];
        this.socket = undefined;
        this.usb = undefined;
        this.up = false;
    }

    // The cable between this end and a part that has just started.
    plug(rp2040) {
        const usb = rp2040.usbCtrl;
        const serial = new USBCDC(usb);
        this.usb = usb;
        this.clock = rp2040.clock;
        // By endpoint: data is asked for before this end knows which of them is the port's.
        this.wanted = [];
        this.serial = serial;
        serial.onDeviceConnected = () => {
            this.up = true;
            if (!this.server.listening) this.server.listen(this.port, '127.0.0.1');
        };
        serial.onSerialData = (bytes) => {
            if (this.usb === usb) this.socket?.write(Buffer.from(bytes));
        };
        usb.onEndpointRead = (endpoint, size) => {
            if (this.usb !== usb) return;
            this.wanted[endpoint] = size;
            this.give();
        };
    }

    unplug() {
        this.usb = undefined;
        this.up = false;
        this.waiting = [];
        this.socket?.destroy();
        this.socket = undefined;
    }

    accept(socket) {
        // No port, nothing to open.
        if (!this.up) return socket.destroy();
        // A port has one user, and one that has gone without a word must not keep out the next.
        this.socket?.destroy();
        this.socket = socket;
        this.waiting = [];
        this.heard();
        socket.setNoDelay(true);
        socket.on('error', () => {});
        socket.on('close', () => {
            if (this.socket === socket) this.socket = undefined;
        });
        socket.on('data', (bytes) => {
            if (this.socket !== socket) return;
            this.heard();
            this.waiting.push(...bytes);
            this.give();
        });
    }

    heard() {
        this.heardAt = this.clock.nanos;
        this.heardWall = Date.now();
    }

    give() {
        const endpoint = this.serial?.outEndpoint;
        const size = this.wanted[endpoint] ?? 0;
        if (!this.up || size === 0 || this.waiting.length === 0) return;
        this.wanted[endpoint] = 0;
        this.usb.endpointReadDone(endpoint, Uint8Array.from(this.waiting.splice(0, size)));
    }

    // Whether the part must wait for the host.
    get behind() {
        return this.socket !== undefined && this.up && this.clock.nanos - this.heardAt > AHEAD_NS
            && Date.now() - this.heardWall < PATIENCE_MS;
    }
}
