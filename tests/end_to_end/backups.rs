//! A backup from the command line while the service takes in, restored elsewhere.

use crate::settings::{token, write};
use isobarn_tests::program::{Program, command, export};
use isobarn_tests::push::Client;
use std::sync::atomic::{AtomicBool, AtomicU32, Ordering};

#[test]
fn a_backup_of_a_running_service_holds_all_acknowledged_before_it_and_is_restored_whole() {
    let folder = tempfile::tempdir().unwrap();
    let settings = write(folder.path(), "");
    let path = settings.to_str().unwrap();
    let program = Program::run(&settings);
    let target = folder.path().join("copy.sqlite3");
    let target = target.to_str().unwrap();
    let (stop, acknowledged) = (AtomicBool::new(false), AtomicU32::new(0));
    let address = program.address("push");
    let before = std::thread::scope(|scope| {
        scope.spawn(|| {
            let client = Client::new();
            while !stop.load(Ordering::SeqCst) {
                let value = acknowledged.load(Ordering::SeqCst) + 1;
                let body = format!("[{{\"n\":\"orchard/p\",\"v\":{}}}]", 90_000 + value);
                if client.senml(address, token("orchard"), &body).status == 204 {
                    acknowledged.store(value, Ordering::SeqCst);
                }
                std::thread::sleep(std::time::Duration::from_millis(5));
            }
        });
        while acknowledged.load(Ordering::SeqCst) < 40 {
            std::thread::sleep(std::time::Duration::from_millis(5));
        }
        let before = acknowledged.load(Ordering::SeqCst);
        let output = command(&["backup", "--config", path, target]);
        stop.store(true, Ordering::SeqCst);
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
        before
    });
    // What is there is left alone.
    let again = command(&["backup", "--config", path, target]);
    assert_eq!(again.status.code(), Some(1));
    assert_eq!(program.terminate().0, Some(0));

    let elsewhere = "history.directory=\"elsewhere\"";
    let output = command(&["restore", "--config", path, "--set", elsewhere, target]);
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let samples = |more: &[&str]| {
        let all = export(&settings, &[&["--samples"][..], more].concat());
        let values: Vec<String> =
            all.lines().filter(|l| l.contains("\"value\"")).map(str::to_owned).collect();
        values
    };
    let (whole, copied) = (samples(&[]), samples(&["--set", elsewhere]));
    let after = acknowledged.load(Ordering::SeqCst);
    println!("{before} acknowledged before, {} in the copy, {after} in all", copied.len());
    assert!(copied.len() >= before as usize && whole.len() >= after as usize);
    // The copy is the log up to one of its records, nothing left out in between.
    assert_eq!(copied, whole[..copied.len()]);

    // It is a history to go on with; a damaged copy is refused and nothing is put in place.
    let restored = command(&["restore", "--config", path, "--set", elsewhere, target]);
    assert_eq!(restored.status.code(), Some(1), "a history is there already");
    let program = Program::start(&settings, &["run", "--config", path, "--set", elsewhere]);
    assert_eq!(program.terminate().0, Some(0));
    let mut bytes = std::fs::read(target).unwrap();
    let middle = bytes.len() / 2;
    for byte in &mut bytes[middle..middle + 64] {
        *byte ^= 0x55;
    }
    let damaged = folder.path().join("damaged.sqlite3");
    std::fs::write(&damaged, bytes).unwrap();
    let third = "history.directory=\"third\"";
    let output = command(&["restore", "--config", path, "--set", third, damaged.to_str().unwrap()]);
    println!("{}", String::from_utf8_lossy(&output.stderr).trim());
    assert_eq!(output.status.code(), Some(1));
    assert!(!folder.path().join("third/history.sqlite3").exists());
}
