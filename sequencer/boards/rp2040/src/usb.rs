//! The link's line: a serial port over USB (CDC-ACM), whatever speed the host sets.

use core::cell::RefCell;
use critical_section::Mutex;
use heapless::spsc::{Consumer, Producer, Queue};
use rp2040_hal::pac::{self, interrupt};
use rp2040_hal::usb::UsbBus;
use usb_device::bus::UsbBusAllocator;
use usb_device::device::{StringDescriptors, UsbDevice, UsbDeviceBuilder, UsbVidPid};
use usbd_serial::{SerialPort, USB_CLASS_CDC};

/// Received bytes that wait for the loop.
pub type Received = Queue<u8, 1024>;

/// Given out by the open registry pid.codes for tests and private use; a product needs one of its own.
const TEST_ID: UsbVidPid = UsbVidPid(0x1209, 0x0001);

struct Port {
    device: UsbDevice<'static, UsbBus>,
    serial: SerialPort<'static, UsbBus>,
    received: Producer<'static, u8>,
}

static PORT: Mutex<RefCell<Option<Port>>> = Mutex::new(RefCell::new(None));

/// Starts the port and returns the loop's end of it, or `None` if the USB stack refuses.
pub fn begin(bus: &'static UsbBusAllocator<UsbBus>, queue: &'static mut Received) -> Option<Consumer<'static, u8>> {
    let serial = SerialPort::new(bus);
    let names = StringDescriptors::default().manufacturer("seathold").product("pressure-hold controller");
    let device = UsbDeviceBuilder::new(bus, TEST_ID)
        .strings(&[names])
        .ok()?
        // Longer than 18 bytes, or some hosts' first request gets a wrong response (rp2040-hal, module `usb`).
        .max_packet_size_0(64)
        .ok()?
        .device_class(USB_CLASS_CDC)
        .build();
    let (received, end) = queue.split();
    critical_section::with(|cs| PORT.borrow(cs).replace(Some(Port { device, serial, received })));
    // SAFETY: the handler is in place, and what it shares is behind a critical section.
    unsafe { pac::NVIC::unmask(pac::Interrupt::USBCTRL_IRQ) };
    Some(end)
}

/// Sends as many bytes as there is room for; returns their number.
pub fn send(bytes: &[u8]) -> usize {
    critical_section::with(|cs| PORT.borrow_ref_mut(cs).as_mut().and_then(|port| port.serial.write(bytes).ok()))
        .unwrap_or(0)
}

/// Triggers the interrupt again: the loop has made room in the queue, or has written.
pub fn poll_again() {
    pac::NVIC::pend(pac::Interrupt::USBCTRL_IRQ);
}

#[interrupt]
fn USBCTRL_IRQ() {
    critical_section::with(|cs| {
        let mut port = PORT.borrow_ref_mut(cs);
        let Some(Port { device, serial, received }) = port.as_mut() else { return };
        let _ = device.poll(&mut [serial]);
        let mut bytes = [0; 64];
        // Only as much as there is room for: the rest stays with the host, which waits.
        loop {
            let room = (received.capacity() - received.len()).min(bytes.len());
            let Some(into) = bytes.get_mut(..room).filter(|into| !into.is_empty()) else { break };
            let Ok(count) = serial.read(into) else { break };
            for &byte in into.iter().take(count) {
                let _ = received.enqueue(byte);
            }
        }
    });
}
