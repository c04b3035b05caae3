//! A recording replayed gives what the service gave, byte for byte, kills included.

use crate::settings::{token, write};
use isobarn_tests::program::{Program, command, command_with_input, export};
use isobarn_tests::push::Client;
use std::time::{Duration, Instant};

/// A minute, the patience with what comes late, and some seconds.
const LONG_ENOUGH: Duration = Duration::from_secs(90);

/// One push from every station, with everything that makes a processor's life hard:
/// late samples, totals, switches, burst, missing times.
fn push_round(client: &Client, program: &Program, random: &mut fastrand::Rng, round: u64) {
    let push = program.address("push");
    let now =
        std::time::SystemTime::now().duration_since(std::time::UNIX_EPOCH).unwrap().as_millis()
            as u64;
    let seconds = |ms: u64| format!("{}.{:03}", ms / 1_000, ms % 1_000);
    let late = if random.u8(0..5) == 0 { random.u64(0..7_200_000) } else { random.u64(0..2_000) };
    let orchard = format!(
        r#"[{{"bn":"orchard/","bt":{},"n":"t","u":"Cel","v":{:.2}}},{{"n":"h","u":"%RH","v":{:.1}}},
           {{"n":"p","u":"hPa","v":{:.2}}},{{"n":"turns","v":{}}},{{"n":"switches","v":{}}},{{"n":"tips","v":{}}}]"#,
        seconds(now - late),
        random.f64() * 20.0,
        60.0 + random.f64() * 42.0,
        985.0 + random.f64(),
        round * 7 + random.u64(0..7),
        [1, 3, 2, 6, 4, 12, 8, 9, 5][random.usize(0..9)],
        round / 3,
    );
    client.senml(push, token("orchard"), &orchard);
    let hedge = format!(
        r#"[{{"bn":"hedge/","n":"boot","vs":"b{}"}},{{"n":"sequence","v":{}}},{{"n":"t","u":"Cel","v":{:.2}}}]"#,
        round / 40,
        round % 40,
        // Now and then the sensor fails for a while, and returns what such sensors return.
        if (6..16).contains(&(round % 40)) { 85.0 } else { random.f64() * 30.0 - 5.0 }
    );
    client.senml(push, token("hedge"), &hedge);
    let field = format!(r#"[{{"n":"field/t","u":"Cel","v":{:.2}}}]"#, random.f64() * 90.0 - 30.0);
    client.senml(push, token("field"), &field);
}

#[test]
fn killed_ten_times_the_replay_of_its_samples_equals_its_readings() {
    let folder = tempfile::tempdir().unwrap();
    let settings = write(folder.path(), "");
    let client = Client::new();
    let mut random = fastrand::Rng::with_seed(7);
    let mut round = 0;
    let started = Instant::now();
    for _ in 0..=10 {
        let program = Program::run(&settings);
        for _ in 0..random.u64(15..40) {
            round += 1;
            push_round(&client, &program, &mut random, round);
            std::thread::sleep(Duration::from_millis(random.u64(0..400)));
        }
        program.kill();
    }
    // One clean run at the end walks the last boundary that is due. It lasts until, whenever
    // the test began, a minute is over of which more than the first seconds hold samples.
    let program = Program::run(&settings);
    while started.elapsed() < LONG_ENOUGH {
        round += 1;
        push_round(&client, &program, &mut random, round);
        std::thread::sleep(Duration::from_millis(200));
    }
    let (status, said) = program.terminate();
    assert_eq!(status, Some(0), "{said}");

    let exported = export(&settings, &[]);
    let samples = export(&settings, &["--samples"]);
    assert!(exported.lines().count() > 500, "{} readings", exported.lines().count());
    for needed in ["\"mean\"", "\"maximum\"", "\"sum\"", "\"standard_deviation\"", "\"point\""] {
        assert!(exported.contains(needed), "no {needed} among the readings");
    }
    for needed in ["\"diagnosis\":\"sensor_fault\",\"state\":\"opened\"", "\"state\":\"closed\""] {
        assert!(exported.contains(needed), "no {needed} among the diagnoses");
    }
    let file = folder.path().join("samples.jsonl");
    std::fs::write(&file, &samples).unwrap();
    let path = settings.to_str().unwrap();
    let replayed =
        command(&["replay", "--config", path, "--input", file.to_str().unwrap(), "--final"]);
    assert!(replayed.status.success(), "{}", String::from_utf8_lossy(&replayed.stderr));
    let replayed = String::from_utf8(replayed.stdout).unwrap();
    for (number, (ours, theirs)) in exported.lines().zip(replayed.lines()).enumerate() {
        assert_eq!(ours, theirs, "line {} differs", number + 1);
    }
    assert_eq!(exported.len(), replayed.len());
    assert_eq!(exported, replayed);
}

#[test]
fn replay_reads_standard_input_and_opens_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let settings = write(folder.path(), "");
    for entry in std::fs::read_dir(folder.path()).unwrap().flatten() {
        if entry.path().extension().is_some_and(|e| e == "token") {
            std::fs::remove_file(entry.path()).unwrap();
        }
    }
    let mut input = String::new();
    for second in (0..1_200).step_by(10) {
        input.push_str(&format!(
            "{{\"time\":\"2026-06-01T10:{:02}:{:02}Z\",\"station\":\"orchard\",\"channel\":\"turns\",\"value\":{}}}\n",
            second / 60,
            second % 60,
            second * 5
        ));
    }
    let output = command_with_input(
        &["replay", "--config", settings.to_str().unwrap(), "--input", "-", "--final"],
        input.as_bytes(),
    );
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let readings = String::from_utf8(output.stdout).unwrap();
    // Five turns a second are 5 Hz: 0.66 * 5 + 0.3 = 3.6 m/s.
    let mean = readings
        .lines()
        .find(|l| l.contains("\"PT10M\"") && l.contains("\"mean\"") && l.contains("10:15:00Z"))
        .unwrap_or_else(|| panic!("no ten-minute mean in\n{readings}"));
    assert!(mean.contains("\"value\":3.6,"), "{mean}");
    assert!(!folder.path().join("history").exists(), "replay must not open the store");
}
