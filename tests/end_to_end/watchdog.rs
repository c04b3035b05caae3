//! A service manager that listens: it hears that the service lives as long as it makes
//! progress, and no longer.

use crate::settings::{token, write};
use isobarn_tests::disk::{Disk, Fault};
use isobarn_tests::program::Program;
use isobarn_tests::push::Client;
use isobarn_tests::wait::until;
use std::ffi::OsString;
use std::os::unix::net::UnixDatagram;
use std::time::{Duration, Instant};

/// After so long without a word it would begin the service anew.
const PERIOD: Duration = Duration::from_secs(6);

struct Manager(UnixDatagram);

impl Manager {
    /// The next word, if one comes within `time`.
    fn hears(&self, time: Duration) -> Option<String> {
        self.0.set_read_timeout(Some(time)).unwrap();
        let mut word = [0; 256];
        let length = self.0.recv(&mut word).ok()?;
        Some(String::from_utf8_lossy(&word[..length]).trim().to_owned())
    }

    /// Signs of life within `time`.
    fn signs(&self, time: Duration) -> usize {
        let end = Instant::now() + time;
        let mut count = 0;
        while let Some(left) = end.checked_duration_since(Instant::now()).filter(|l| !l.is_zero()) {
            count += usize::from(self.hears(left).is_some_and(|word| word == "WATCHDOG=1"));
        }
        count
    }
}

#[test]
fn signs_of_life_come_while_there_is_progress_and_on_a_slow_disk_and_not_when_it_is_stuck() {
    let folder = tempfile::tempdir().unwrap();
    let socket = folder.path().join("manager");
    let manager = Manager(UnixDatagram::bind(&socket).unwrap());
    let settings = write(folder.path(), "");
    let disk = Disk::watch(&folder.path().join("history"), folder.path());
    let mut environment = disk.faults_only();
    environment.push(("NOTIFY_SOCKET", socket.into_os_string()));
    environment.push(("WATCHDOG_USEC", OsString::from(PERIOD.as_micros().to_string())));
    let program = Program::run_in(&settings, &environment);
    let (page, address) = (program.address("http"), program.address("push"));
    let push = move |value: u32| {
        let body = format!("[{{\"n\":\"hedge/t\",\"v\":{value}}}]");
        Client::new().senml(address, token("hedge"), &body).status
    };
    assert_eq!(manager.hears(PERIOD).as_deref(), Some("READY=1"));
    // It says so three times in the period; a machine that is busy may skip one.
    assert!(manager.signs(PERIOD * 2) >= 4, "it lives");

    disk.begin(Fault::Slow);
    let sending = std::thread::spawn(move || (1..8).map(push).collect::<Vec<_>>());
    assert!(manager.signs(PERIOD * 2) >= 3, "a slow disk is no reason to be ended");
    println!("on a slow disk: {:?}", sending.join().unwrap());
    disk.end(Fault::Slow);

    disk.begin(Fault::Stuck);
    let sending = std::thread::spawn(move || push(9));
    manager.signs(PERIOD);
    let signs = manager.signs(PERIOD * 2);
    assert_eq!(signs, 0, "nothing goes on, and it says that it lives");
    assert_eq!(Client::new().get(page, "/v1/latest").status, 200, "the page is there");
    assert!(disk.end(Fault::Stuck));
    assert_eq!(sending.join().unwrap(), 503, "no receipt for what is not kept");
    until("a sign of life", || (manager.signs(PERIOD / 3) > 0).then_some(()));
    assert_eq!(push(10), 204);

    assert_eq!(program.terminate().0, Some(0));
    let last = std::iter::from_fn(|| manager.hears(Duration::from_millis(100)));
    assert!(last.last().is_some_and(|word| word == "STOPPING=1"));
}
