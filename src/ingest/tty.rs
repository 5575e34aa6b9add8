//! Opening a serial device, and saying in plain words why it does not open.
//!
//! The path in the config is followed anew at each opening, so a stable name (`/dev/serial/by-id/…`)
//! finds the device after it was plugged in elsewhere. The device is taken for tubwatch alone.

use std::io::ErrorKind as Io;
use std::path::Path;
use std::time::Duration;

use serialport::{ErrorKind, SerialPort};

use crate::config::plan::{Parity, PortPlan};

/// Opens the port's device; reads wait `wait`. The error is a plain sentence.
pub(super) fn open(port: &PortPlan, wait: Duration) -> Result<Box<dyn SerialPort>, String> {
    serialport::new(port.device.to_string_lossy(), port.baud)
        .timeout(wait)
        .parity(match port.parity {
            Parity::None => serialport::Parity::None,
            Parity::Even => serialport::Parity::Even,
            Parity::Odd => serialport::Parity::Odd,
        })
        .stop_bits(if port.two_stop_bits { serialport::StopBits::Two } else { serialport::StopBits::One })
        .open()
        .map_err(|error| cannot_open(&port.device, &error))
}

/// Why an open device is given up: `how` fits after "it was open, but".
pub(super) fn gone(device: &Path, how: &str) -> String {
    format!("{} was open, but {how}; it is tried again until it is back", device.display())
}

/// Why `device` does not open, in one plain sentence.
fn cannot_open(device: &Path, error: &serialport::Error) -> String {
    let shown = device.display();
    match error.kind {
        ErrorKind::Io(Io::NotFound) => format!("{shown} is not there; is the probe plugged in?"),
        ErrorKind::Io(Io::PermissionDenied) => {
            format!("{shown} may not be opened; put the service's user into the group that owns it (often dialout)")
        }
        ErrorKind::NoDevice => format!("{shown} is in use by another program{}; close that one", holder(device)),
        _ => format!("{shown} does not open as a serial port ({})", error.description),
    }
}

/// Who holds `device`, where the machine says so: ` (minicom, process 812)`.
fn holder(device: &Path) -> String {
    let Ok(target) = std::fs::canonicalize(device) else { return String::new() };
    let Ok(processes) = std::fs::read_dir("/proc") else { return String::new() };
    for process in processes.flatten() {
        let name = process.file_name();
        let Some(id) = name.to_str().filter(|name| name.bytes().all(|byte| byte.is_ascii_digit())) else { continue };
        // Of other users' processes this cannot be read.
        let Ok(open) = std::fs::read_dir(process.path().join("fd")) else { continue };
        if id != std::process::id().to_string()
            && open.flatten().any(|file| std::fs::read_link(file.path()).is_ok_and(|link| link == target))
        {
            let program = std::fs::read_to_string(process.path().join("comm")).unwrap_or_default();
            return format!(" ({}, process {id})", crate::wire::printable(program.trim().as_bytes(), 40));
        }
    }
    String::new()
}
