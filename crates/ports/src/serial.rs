//! Serial ports: 8 data bits, no parity, one stop bit, no flow control.

use std::io::{ErrorKind, Read, Write};
use std::time::Duration;

use serialport::SerialPort;

use crate::error::PortError;

/// Longest wait for bytes, and for a port that takes none.
const PATIENCE: Duration = Duration::from_millis(100);

/// An open serial port.
pub struct Serial {
    name: String,
    port: Box<dyn SerialPort>,
}

impl Serial {
    /// Opens a port for ourselves alone, at `baud` bits a second.
    ///
    /// # Errors
    /// No such port (all are named), or the system's own words.
    pub fn open(name: &str, baud: u32) -> Result<Serial, PortError> {
        let port = serialport::new(name, baud).timeout(PATIENCE).open().map_err(|e| match e.kind() {
            serialport::ErrorKind::NoDevice | serialport::ErrorKind::Io(ErrorKind::NotFound) => PortError::NotFound {
                what: "serial port",
                wanted: name.into(),
                have: serialport::available_ports().unwrap_or_default().into_iter().map(|p| p.port_name).collect(),
            },
            _ => PortError::host(name, e),
        })?;
        Ok(Serial { name: name.into(), port })
    }

    /// A second hold on the same port, for whoever listens.
    ///
    /// # Errors
    /// The system's own words.
    pub fn second(&self) -> Result<Serial, PortError> {
        let port = self.port.try_clone().map_err(|e| PortError::host(&self.name, e))?;
        Ok(Serial { name: self.name.clone(), port })
    }

    /// Hands all bytes to the system. May block for a tenth of a second: not for the watch thread.
    ///
    /// # Errors
    /// The port is gone, or takes nothing.
    pub fn send(&mut self, bytes: &[u8]) -> Result<(), PortError> {
        self.port.write_all(bytes).map_err(|e| PortError::host(&self.name, e))
    }

    /// Bytes that came, into `buffer`; none within a tenth of a second: `None`.
    ///
    /// # Errors
    /// The port is gone.
    pub fn hear(&mut self, buffer: &mut [u8]) -> Result<Option<usize>, PortError> {
        match self.port.read(buffer) {
            Ok(0) => Err(PortError::host(&self.name, "the port is gone")),
            Ok(n) => Ok(Some(n)),
            Err(e) if matches!(e.kind(), ErrorKind::TimedOut | ErrorKind::Interrupted) => Ok(None),
            Err(e) => Err(PortError::host(&self.name, e)),
        }
    }
}

/// The far end of a serial line that the system makes up, and the name of its near end: for tests and benches without hardware.
/// Until the near end is open the far end hears only errors.
///
/// # Errors
/// The system's own words.
#[cfg(unix)]
pub fn made_up() -> Result<(Serial, String), PortError> {
    let wrong = |e: serialport::Error| PortError::host("pseudo terminal", e);
    let (mut far, near) = serialport::TTYPort::pair().map_err(wrong)?;
    let name = near.name().ok_or_else(|| PortError::host("pseudo terminal", "it has no name"))?;
    far.set_timeout(PATIENCE).map_err(wrong)?;
    Ok((Serial { name: format!("the far end of {name}"), port: Box::new(far) }, name))
}

#[cfg(all(test, unix))]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    fn all(from: &mut Serial, n: usize) -> Vec<u8> {
        let (mut got, mut buffer) = (Vec::new(), [0; 64]);
        for _ in 0..200 {
            if let Ok(Some(k)) = from.hear(&mut buffer) {
                got.extend_from_slice(&buffer[..k]);
            }
            if got.len() >= n {
                break;
            }
        }
        got
    }

    #[test]
    fn every_byte_passes_both_ways_and_the_end_is_noticed() {
        let (mut far, name) = made_up().unwrap();
        let mut near = Serial::open(&name, 9_600).unwrap();
        // Raw mode: no byte means anything to the system (line ends, XON/XOFF, end of file).
        let bytes: Vec<u8> = (0..=255).collect();
        near.send(&bytes).unwrap();
        assert_eq!(all(&mut far, 256), bytes);
        far.send(&bytes).unwrap();
        let mut ears = near.second().unwrap();
        assert_eq!(all(&mut ears, 256), bytes);
        assert_eq!(ears.hear(&mut [0; 8]), Ok(None));
        drop(far);
        let gone = (0..200).any(|_| ears.hear(&mut [0; 8]).is_err());
        assert!(gone, "a line whose far end is gone is noticed");
    }

    #[test]
    fn a_port_that_is_not_there_is_named() {
        let e = Serial::open("/dev/no-such-port", 9_600).err().map(|e| e.to_string()).unwrap();
        assert!(e.starts_with("no serial port is called \"/dev/no-such-port\""), "{e}");
    }
}
