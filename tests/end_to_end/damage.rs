//! A history that is damaged on the disk, as its keeper meets it: what is readable is told,
//! what is not is said, and the documented repair mends it.

use crate::settings::write;
use isobarn_tests::backlog::{self, Backlog};
use isobarn_tests::program::{Program, command, export};
use isobarn_tests::push::Client;
use isobarn_tests::wait::until;
use observation::Span;
use std::os::unix::fs::FileExt;
use std::path::{Path, PathBuf};

/// Fifty hours, so that at least one day is over and sealed by the first start.
const DAYS: Backlog = Backlog { records: 300, readings: 8, step: Span::minutes(10) };
const EVER: [&str; 2] = ["--from", "2020-01-01T00:00:00Z"];

fn database(settings: &Path) -> PathBuf {
    settings.parent().unwrap().join("history/history.sqlite3")
}

fn count(settings: &Path, table: &str) -> i64 {
    let store = rusqlite::Connection::open(database(settings)).unwrap();
    store.query_row(&format!("SELECT count(*) FROM {table}"), [], |r| r.get(0)).unwrap()
}

/// Readings without the words for what is kept.
fn readings(settings: &Path) -> Vec<String> {
    let all = export(settings, &EVER);
    all.lines().filter(|line| line.contains("\"value\"")).map(str::to_owned).collect()
}

#[test]
fn damage_met_while_it_runs_is_left_out_and_set_aside() {
    let folder = tempfile::tempdir().unwrap();
    let settings = write(folder.path(), "");
    backlog::write(&settings, DAYS);
    let program = Program::run(&settings);
    until("a sealed day", || (count(&settings, "block") > 0).then_some(()));
    let before = readings(&settings);
    let store = rusqlite::Connection::open(database(&settings)).unwrap();
    store.busy_timeout(std::time::Duration::from_secs(5)).unwrap();
    let sql = "UPDATE block SET body = CAST(x'00' || substr(body, 2) AS BLOB)
               WHERE number = (SELECT min(number) FROM block)";
    assert_eq!(store.execute(sql, []).unwrap(), 1);
    drop(store);
    // The log holds the day still: nothing is missing, and it is said all the same.
    assert_eq!(readings(&settings), before);
    let path = settings.to_str().unwrap();
    let output = command(&[&["export", "--config", path], &EVER[..]].concat());
    let said = String::from_utf8(output.stderr).unwrap();
    assert!(output.status.success() && said.contains("is damaged and left out"), "{said}");
    assert!(said.contains("check --history"), "{said}");
    let client = Client::new();
    let asked = "/v1/readings?from=2020-01-01T00:00:00Z&quantity=air_temperature";
    let answer = client.get(program.address("http"), asked);
    assert_eq!(answer.status, 200, "{}", answer.body);
    until("the repair", || program.said().contains("damaged_block").then_some(()));
    until("the count", || {
        let metrics = client.get(program.address("http"), "/metrics").body;
        metrics.contains("isobarn_history_repairs_total 1").then_some(())
    });
    assert_eq!(count(&settings, "damaged_block"), 1);
    until("the day sealed again", || {
        let store = rusqlite::Connection::open(database(&settings)).unwrap();
        let open: i64 = store
            .query_row("SELECT count(*) FROM sealed WHERE through = 0", [], |r| r.get(0))
            .unwrap();
        (open == 0).then_some(())
    });
    assert_eq!(readings(&settings), before);
    assert_eq!(program.terminate().0, Some(0));
}

#[test]
fn a_look_through_the_history_finds_damage_and_the_next_start_mends_it() {
    let folder = tempfile::tempdir().unwrap();
    let settings = write(folder.path(), "");
    backlog::write(&settings, DAYS);
    let program = Program::run(&settings);
    until("a sealed day", || (count(&settings, "block") > 0).then_some(()));
    assert_eq!(program.terminate().0, Some(0));
    let before = readings(&settings);
    let path = settings.to_str().unwrap();
    let look = || command(&["check", "--history", "--config", path]);
    let sound = look();
    let said = String::from_utf8(sound.stdout).unwrap();
    assert!(sound.status.success() && said.contains("nothing is damaged"), "{said}");

    // A page of the log in the middle of the file, gone.
    let file = std::fs::OpenOptions::new().read(true).write(true).open(database(&settings));
    let file = file.unwrap();
    let pages = file.metadata().unwrap().len() / 4_096;
    let damage = |page: u64| file.write_all_at(&[0; 4_096], page * 4_096).unwrap();
    let suspect = folder.path().join("history/history.suspect");
    assert!(!suspect.exists());
    damage(pages / 2);
    let found = look();
    let said = String::from_utf8(found.stderr).unwrap();
    println!("{said}");
    assert_eq!(found.status.code(), Some(1), "{said}");
    assert!(said.contains("is damaged") && said.contains("start the service"), "{said}");
    assert!(suspect.exists());
    let program = Program::run(&settings);
    let said = program.said();
    println!("{said}");
    assert!(said.contains("history repaired: history.sqlite3 is damaged"), "{said}");
    assert!(!suspect.exists());
    assert_eq!(program.terminate().0, Some(0));
    let after = readings(&settings);
    println!("{} readings before, {} afterwards", before.len(), after.len());
    assert!(after.len() * 2 > before.len(), "most is there");
    assert!(after.iter().all(|line| before.contains(line)), "and nothing else");
    let kept = std::fs::read_dir(folder.path().join("history")).unwrap().flatten();
    assert!(kept.map(|f| f.file_name()).any(|n| n.to_string_lossy().contains(".damaged-")));
    assert!(look().status.success());
    crate::disks::sound(&settings);
}

#[test]
fn a_damaged_page_of_the_newest_records_keeps_no_service_from_starting() {
    let folder = tempfile::tempdir().unwrap();
    let settings = write(folder.path(), "");
    // So large that it is not looked through at each start.
    backlog::write(&settings, Backlog { records: 1_500, readings: 2_600, step: Span::seconds(20) });
    let length = std::fs::metadata(database(&settings)).unwrap().len();
    assert!(length > 17 << 20, "{length}");
    let sound = std::fs::read(database(&settings)).unwrap();
    let path = settings.to_str().unwrap();
    let mut told = Vec::new();
    for part in [10, 40, 97] {
        std::fs::write(database(&settings), &sound).unwrap();
        let file = std::fs::OpenOptions::new().write(true).open(database(&settings)).unwrap();
        file.write_all_at(&[0; 4_096], length / 100 * part / 4_096 * 4_096).unwrap();
        // The first start may meet it and end; the one behind it mends.
        let mut said = Vec::new();
        let program = loop {
            assert!(said.len() < 2, "at {part} %: {said:?}");
            match Program::start_unready(&settings, &["run", "--config", path]).ready() {
                Ok(program) => break program,
                Err(why) => said.push(why),
            }
        };
        assert!(said.iter().all(|said| said.contains("check --history")), "{said:?}");
        let starts = said.len() + 1;
        let body = r#"[{"n":"orchard/t","v":11.5}]"#;
        let pushed =
            Client::new().senml(program.address("push"), crate::settings::token("orchard"), body);
        assert_eq!(pushed.status, 204, "at {part} %: {}", pushed.body);
        let (status, said) = program.terminate();
        assert_eq!(status, Some(0), "{said}");
        // What no start has met is found by whoever looks.
        let repaired = said.contains("history repaired");
        let look = command(&["check", "--history", "--config", path]);
        assert_eq!(look.status.success(), repaired, "at {part} %");
        told.push((part, starts, repaired));
    }
    println!("per cent of the file, starts, repaired by then: {told:?}");
}
