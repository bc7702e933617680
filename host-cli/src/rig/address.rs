//! Which rig: the simulated one in this program, or a controller on a connection.

use std::fmt;
use std::str::FromStr;

/// Default baud rate, in bit/s. Ten times what polls at 100 a second need.
pub const BAUD: u32 = 115_200;

/// Where the rig is.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Address {
    /// In this program.
    Sim,
    /// A controller behind a socket.
    Tcp(String),
    /// A controller on a serial port.
    Serial {
        /// The port's name.
        device: String,
        /// Bits a second.
        baud: u32,
    },
}

impl FromStr for Address {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let forms = "give \"sim\", \"tcp:HOST:PORT\" or \"serial:DEVICE[@BAUD]\"";
        match text.split_once(':') {
            None if text == "sim" => Ok(Self::Sim),
            Some(("tcp", rest)) => {
                let (host, port) = rest.rsplit_once(':').ok_or("tcp: give HOST:PORT, like tcp:127.0.0.1:7070")?;
                match port.parse::<u16>() {
                    Ok(port) if port > 0 && !host.is_empty() => Ok(Self::Tcp(rest.into())),
                    _ => Err(format!("tcp: \"{rest}\" is not HOST:PORT with a port from 1 to 65535")),
                }
            }
            Some(("serial", rest)) => {
                let (device, baud) = match rest.rsplit_once('@') {
                    Some((device, baud)) => (device, baud.parse::<u32>().ok()),
                    None => (rest, Some(BAUD)),
                };
                match baud {
                    Some(baud) if (1_200..=4_000_000).contains(&baud) && !device.is_empty() => {
                        Ok(Self::Serial { device: device.into(), baud })
                    }
                    _ => Err(format!(
                        "serial: \"{rest}\" is not DEVICE or DEVICE@BAUD with a speed from 1200 to 4000000"
                    )),
                }
            }
            _ => Err(forms.into()),
        }
    }
}

impl fmt::Display for Address {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Sim => write!(f, "sim"),
            Self::Tcp(at) => write!(f, "tcp:{at}"),
            Self::Serial { device, baud } => write!(f, "serial:{device}@{baud}"),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_form_is_read_and_written_back() {
        for (text, back) in [
            ("sim", "sim"),
            ("tcp:127.0.0.1:7070", "tcp:127.0.0.1:7070"),
            ("tcp:[::1]:7070", "tcp:[::1]:7070"),
            ("serial:/dev/ttyACM0", "serial:/dev/ttyACM0@115200"),
            ("serial:COM3@9600", "serial:COM3@9600"),
        ] {
            assert_eq!(text.parse::<Address>().unwrap().to_string(), back);
        }
        for text in ["", "tcp", "tcp:host", "tcp:host:0", "tcp::70", "serial:", "serial:x@7", "usb:1", "simulated"] {
            assert!(text.parse::<Address>().is_err(), "{text}");
        }
    }
}
