//! A disk that can be watched and made to fail: the shim `disk/shim.c` between a program
//! and the C library; and a small disk of its own, where the test may mount one.

use std::ffi::OsString;
use std::path::{Path, PathBuf};
use std::process::Command;

/// What goes wrong with the disk.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Fault {
    /// Writes find no space.
    Full,
    /// Writes fail.
    Write,
    /// Writes find a file system that takes none, as Linux makes it after an error.
    ReadOnly,
    /// One sync fails.
    Sync,
    /// Writes take 300 ms longer.
    Slow,
    /// Writes do not come to an end while this lasts.
    Stuck,
}

impl Fault {
    const fn name(self) -> &'static str {
        match self {
            Self::Full => "full",
            Self::Write => "write",
            Self::ReadOnly => "mount",
            Self::Sync => "sync",
            Self::Slow => "slow",
            Self::Stuck => "stuck",
        }
    }
}

/// A watched folder.
pub struct Disk {
    shim: PathBuf,
    folder: PathBuf,
    faults: PathBuf,
    /// The notes of what was asked of the disk, in order.
    pub log: PathBuf,
}

impl Disk {
    /// Builds the shim in `workplace`, where notes and faults are kept too, and watches
    /// the files in `folder`.
    pub fn watch(folder: &Path, workplace: &Path) -> Self {
        let shim = workplace.join("shim.so");
        let output = Command::new("cc")
            .args(["-shared", "-fPIC", "-O1", "-o"])
            .arg(&shim)
            .arg(concat!(env!("CARGO_MANIFEST_DIR"), "/harness/disk/shim.c"))
            .args(["-ldl", "-lpthread"])
            .output()
            .expect("cc is there, as Rust's linker");
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
        let faults = workplace.join("faults");
        std::fs::create_dir_all(&faults).expect("a folder to write to");
        Self { shim, folder: folder.to_owned(), faults, log: workplace.join("disk.log") }
    }

    /// What the environment of a program must hold to be watched.
    pub fn environment(&self) -> Vec<(&'static str, OsString)> {
        vec![
            ("LD_PRELOAD", self.shim.clone().into()),
            ("ISOBARN_DISK_FOLDER", self.folder.clone().into()),
            ("ISOBARN_DISK_LOG", self.log.clone().into()),
            ("ISOBARN_DISK_FAULTS", self.faults.clone().into()),
        ]
    }

    /// The same without notes, for runs in which much is written.
    pub fn faults_only(&self) -> Vec<(&'static str, OsString)> {
        let mut environment = self.environment();
        environment.retain(|(name, _)| *name != "ISOBARN_DISK_LOG");
        environment
    }

    /// From now on the disk fails so.
    pub fn begin(&self, fault: Fault) {
        std::fs::write(self.faults.join(fault.name()), "").expect("a folder to write to");
    }

    /// No longer; whether it still did.
    pub fn end(&self, fault: Fault) -> bool {
        std::fs::remove_file(self.faults.join(fault.name())).is_ok()
    }

    /// Length of the notes so far: what was asked of the disk before now lies before it.
    pub fn noted(&self) -> u64 {
        std::fs::metadata(&self.log).map_or(0, |m| m.len())
    }
}

/// A small disk in memory, mounted for a test.
pub struct Small {
    place: PathBuf,
}

/// Set in a test that was begun again where it may mount.
const INSIDE: &str = "ISOBARN_TESTS_INSIDE";

impl Small {
    /// Mounts it. Where that is not allowed, as to anyone but root, the test of this name
    /// runs once more in name spaces of its own, where it is: then there is none here and
    /// nothing is left to do. Where there may be no such name spaces either, the test is
    /// told as not run.
    pub fn mount_for(test: &str, place: &Path, bytes: u64) -> Option<Self> {
        if let Some(small) = Self::mount(place, bytes) {
            return Some(small);
        }
        assert!(std::env::var_os(INSIDE).is_none(), "not even in a name space of its own");
        let apart = || {
            let mut command = Command::new("unshare");
            command.args(["--map-root-user", "--mount"]);
            command
        };
        if !apart().arg("true").output().is_ok_and(|o| o.status.success()) {
            crate::not_run(test, "nothing may be mounted, nor a user's name space be made");
            return None;
        }
        let output = apart()
            .arg(std::env::current_exe().expect("a test knows its own path"))
            .args(["--exact", test, "--nocapture"])
            .env(INSIDE, "yes")
            .output()
            .expect("it ran a moment ago");
        let said = String::from_utf8_lossy(&output.stdout).into_owned()
            + &String::from_utf8_lossy(&output.stderr);
        assert!(output.status.success() && said.contains("1 passed"), "{said}");
        println!("in a name space of its own:\n{said}");
        None
    }

    /// Mounts it; none where that is not allowed.
    fn mount(place: &Path, bytes: u64) -> Option<Self> {
        std::fs::create_dir_all(place).expect("a folder to write to");
        let mounted = Command::new("mount")
            .args(["-t", "tmpfs", "-o", &format!("size={bytes}"), "tmpfs"])
            .arg(place)
            .output()
            .is_ok_and(|o| o.status.success());
        mounted.then(|| Self { place: place.to_owned() })
    }

    /// Mounts it anew so that nothing can be written.
    pub fn read_only(&self) {
        let status = Command::new("mount")
            .args(["-o", "remount,ro"])
            .arg(&self.place)
            .status()
            .expect("mount runs");
        assert!(status.success(), "nothing on it may be open for writing");
    }
}

impl Drop for Small {
    fn drop(&mut self) {
        drop(Command::new("umount").arg("--lazy").arg(&self.place).status());
    }
}

/// A file that takes the room on a disk.
pub struct Filler {
    path: PathBuf,
}

impl Filler {
    /// Takes all but `left` bytes of the room, in steps of a page.
    pub fn all_but(folder: &Path, left: u64) -> Self {
        use std::io::Write;
        let path = folder.join("filler");
        let mut file = std::fs::File::create(&path).expect("a folder to write to");
        while file.write_all(&[7; 4_096]).is_ok() {}
        let length = file.metadata().expect("its length").len();
        file.set_len(length.saturating_sub(left)).expect("it can be cut");
        Self { path }
    }
}

impl Drop for Filler {
    fn drop(&mut self) {
        drop(std::fs::remove_file(&self.path));
    }
}
