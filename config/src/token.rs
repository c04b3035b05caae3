//! Secrets in files of their own: tokens, passwords. They are never part of the settings
//! text, never printed, and blank in every debug output.
//!
//! A file may hold comment lines beginning with `#`; the first other line that is not
//! empty is the secret.

use crate::document::{Place, resolve};
use crate::fault::Fault;
use observation::StationIndex;
use std::fmt;
use std::io::Read as _;
use std::path::{Path, PathBuf};

/// Longest secret file, in bytes.
const LARGEST: u64 = 64 << 10;
/// Longest secret, in bytes.
const LONGEST: usize = 1_024;

/// Whose token it is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Owner {
    /// A station's.
    Station(StationIndex),
    /// A gateway's: the place in [`observation::Property::gateways`].
    Gateway(usize),
}

/// The file that holds the token of a station or gateway.
#[derive(Clone, Debug)]
pub struct TokenFile {
    /// Whose.
    pub owner: Owner,
    /// Where.
    pub path: PathBuf,
    pub(crate) place: Option<Place>,
}

impl TokenFile {
    /// Reads the token.
    ///
    /// # Errors
    /// A file that is missing, unreadable, too long, empty or no text; the fault stands
    /// at the key `token_file`.
    pub fn read(&self) -> Result<Secret, Fault> {
        read_secret(&self.path).map_err(|why| {
            self.fault(
                &format!("token file {}: {why}", self.path.display()),
                Some("create it with one line, the token; paths are relative to the settings file"),
            )
        })
    }

    /// A fault at the key `token_file`.
    pub fn fault(&self, message: &str, help: Option<&str>) -> Fault {
        Fault::at(self.place.clone(), message, help)
    }
}

/// A secret. It has no display, and its debug output is blank.
#[derive(Clone, PartialEq, Eq)]
pub struct Secret(String);

impl Secret {
    /// The secret itself, for the one comparison or connection it is for.
    pub fn reveal(&self) -> &str {
        &self.0
    }
}

impl fmt::Debug for Secret {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Secret")
    }
}

/// Reads the secret in a file: its first line that is neither empty nor a comment.
///
/// # Errors
/// Why there is none, without the path and without any of its content.
pub fn read_secret(path: &Path) -> Result<Secret, String> {
    let file = std::fs::File::open(path).map_err(|e| format!("cannot be read: {e}"))?;
    let mut bytes = Vec::new();
    file.take(LARGEST + 1).read_to_end(&mut bytes).map_err(|e| format!("cannot be read: {e}"))?;
    if bytes.len() as u64 > LARGEST {
        return Err("is longer than 64 KiB".to_owned());
    }
    let text = String::from_utf8(bytes).map_err(|_| "is not UTF-8 text".to_owned())?;
    let secret = text
        .lines()
        .map(str::trim)
        .find(|line| !line.is_empty() && !line.starts_with('#'))
        .ok_or_else(|| "holds no secret, only empty lines and comments".to_owned())?;
    if secret.len() > LONGEST {
        return Err("holds a line longer than 1,024 bytes".to_owned());
    }
    if secret.chars().any(char::is_control) {
        return Err("holds control characters".to_owned());
    }
    Ok(Secret(secret.to_owned()))
}

/// Where a secret's file lies. `%d/NAME` is NAME in the service's credentials directory;
/// a bare NAME is looked for there first, if there is such a directory; everything else
/// is relative to the settings file.
pub(crate) fn secret_path(directory: &Path, credentials: Option<&Path>, path: &str) -> PathBuf {
    if let Some(credentials) = credentials {
        if let Some(name) = path.strip_prefix("%d/") {
            return credentials.join(name);
        }
        if !path.contains('/') && credentials.join(path).is_file() {
            return credentials.join(path);
        }
    }
    resolve(directory, path)
}

/// The directory in which the service manager puts credentials.
pub(crate) fn credentials_directory() -> Option<PathBuf> {
    std::env::var_os("CREDENTIALS_DIRECTORY").filter(|d| !d.is_empty()).map(PathBuf::from)
}
