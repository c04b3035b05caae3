//! Opening a device, for us alone, and saying in words why that failed.

use super::Serial;
use crate::port::End;
use std::os::unix::fs::{FileTypeExt, MetadataExt};
use std::path::Path;
use tokio_serial::{ErrorKind, SerialPort, SerialPortBuilderExt, SerialStream};

/// Opens the device.
///
/// # Errors
/// The end of the session: a fault where somebody must mend something.
pub(super) fn open(serial: &Serial) -> Result<SerialStream, End> {
    let mut builder = tokio_serial::new(&serial.device, serial.baud).exclusive(true);
    if let Some(level) = serial.dtr {
        builder = builder.dtr_on_open(level);
    }
    let mut port = builder.open_native_async().map_err(|error| why(&serial.device, &error))?;
    if let Some(level) = serial.rts {
        port.write_request_to_send(level).map_err(|error| End {
            reason: format!(
                "{}: the line \"request to send\" cannot be set: {error}",
                serial.device
            ),
            fault: true,
            useful: false,
        })?;
    }
    Ok(port)
}

fn why(device: &str, error: &tokio_serial::Error) -> End {
    let path = Path::new(device);
    let end = |reason: String, fault| End { reason, fault, useful: false };
    let Ok(metadata) = std::fs::metadata(path) else {
        let gone = !path.exists();
        let reason = if gone {
            format!("{device} is not there: not plugged in, or the name is another")
        } else {
            format!("{device}: {error}")
        };
        return end(reason, false);
    };
    if !metadata.file_type().is_char_device() {
        return end(format!("{device} is not a serial device"), true);
    }
    let denied = matches!(error.kind(), ErrorKind::Io(std::io::ErrorKind::PermissionDenied))
        || error.to_string().contains("ermission denied");
    if denied {
        let group = group(metadata.gid());
        return end(
            format!("{device} may not be opened: add this program's user to the group {group}"),
            true,
        );
    }
    let message = error.to_string();
    let busy = message.contains("lock") || message.contains("usy");
    if busy {
        let holder = holder(path).unwrap_or_else(|| "another program".to_owned());
        return end(
            format!("{device} is in use by {holder}: end that, or give it another cable"),
            true,
        );
    }
    end(format!("{device}: {message}"), true)
}

/// The name of a group, or its number.
fn group(id: u32) -> String {
    let groups = std::fs::read_to_string("/etc/group").unwrap_or_default();
    groups
        .lines()
        .find_map(|line| {
            let mut fields = line.split(':');
            let name = fields.next()?;
            (fields.nth(1)?.parse() == Ok(id)).then(|| format!("`{name}`"))
        })
        .unwrap_or_else(|| id.to_string())
}

/// Who has the device open, as far as this program may see.
fn holder(path: &Path) -> Option<String> {
    let device = path.canonicalize().ok()?;
    let own = std::process::id().to_string();
    for process in std::fs::read_dir("/proc").ok()?.flatten() {
        let number = process.file_name().to_string_lossy().into_owned();
        if !number.bytes().all(|b| b.is_ascii_digit()) {
            continue;
        }
        let Ok(open) = std::fs::read_dir(process.path().join("fd")) else { continue };
        if open.flatten().any(|fd| std::fs::read_link(fd.path()).is_ok_and(|to| to == device)) {
            if number == own {
                return Some("another source of this program".to_owned());
            }
            let name = std::fs::read_to_string(process.path().join("comm")).unwrap_or_default();
            return Some(format!("process {number} ({})", name.trim()));
        }
    }
    None
}
