//! The fit, the chances and the skill beside those of scikit-learn, made anew by
//! `independent.py` from the same record; and what the outlook starts with.

use crate::record::Record;
use crate::table::{self, OpenHour};
use crate::{PENALTY, split, summary, whole};
use meteorology::outlook::{Model, fit};
use std::collections::BTreeMap;
use std::path::Path;
use std::process::Command;

/// Goals: Brier skill of odd -> even and even -> odd months, and the worst bin of 500.
const GOALS: ([f64; 2], f64) = ([0.27, 0.30], 0.05);
/// Difference of chances that rounding of the two programs may leave.
const SAME: f64 = 2e-6;

fn independent() -> Vec<Vec<String>> {
    let python = std::env::var("ISOBARN_TESTS_PYTHON").unwrap_or_else(|_| "python3".into());
    let output = Command::new(&python)
        .args(["-c", include_str!("independent.py")])
        .output()
        .expect("Python starts");
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "`tests/run --install` installs what {python} lacks: {said}");
    let text = String::from_utf8(output.stdout).unwrap();
    text.lines().map(|line| line.split('\t').map(str::to_owned).collect()).collect()
}

fn number(text: &str) -> f64 {
    text.parse().unwrap()
}

fn hours_of(rows: &[Vec<String>]) -> Vec<OpenHour> {
    let path = rows.iter().find(|row| row[0] == "path").unwrap();
    table::hours(&Record::read(Path::new(&path[1])).unwrap())
}

#[test]
fn scikit_learn_says_the_same_and_the_goals_are_met() {
    let rows = independent();
    let hours = hours_of(&rows);
    let mut lines = Vec::new();
    for (place, name) in ["odd", "even"].into_iter().enumerate() {
        let learned = |month: u8| (month % 2 == 1) == (name == "odd");
        let own: Vec<_> = hours.iter().filter(|h| learned(h.month)).map(|h| h.row).collect();
        let model = fit(&own, PENALTY).unwrap().model;
        let mut ours: BTreeMap<(&str, i64), (f64, bool)> = hours
            .iter()
            .filter(|h| !learned(h.month))
            .map(|h| ((h.station, h.hour), (model.chance(&h.row.0), h.row.1)))
            .collect();
        let mut largest: f64 = 0.0;
        for row in rows.iter().filter(|row| row[0] == "hour" && row[1] == name) {
            let key = (row[2].as_str(), row[3].parse().unwrap());
            let (chance, wet) = ours.remove(&key).unwrap_or_else(|| panic!("not ours: {row:?}"));
            assert_eq!(wet, row[5] == "1", "{row:?}");
            largest = largest.max((chance - number(&row[4])).abs());
        }
        assert!(
            ours.is_empty(),
            "{} hours only ours, such as {:?}",
            ours.len(),
            ours.first_key_value()
        );
        assert!(largest < SAME, "chances differ by {largest:.1e}");
        let said = split(&hours, learned).unwrap();
        let (skill, worst) = (table::skill(&said, |s| s.usual).0, table::worst_bin(&said));
        let theirs = rows.iter().find(|row| row[0] == "skill" && row[1] == name).unwrap();
        assert!((skill - number(&theirs[2])).abs() < 1e-5, "{skill} {theirs:?}");
        assert!(skill >= GOALS.0[place], "{name}: skill {skill}");
        assert!(worst <= GOALS.1, "{name}: worst bin {worst}");
        lines.push(format!(
            "{name} months learned: Brier skill of the others {skill:.4}, worst bin {worst:.3}, chances within {largest:.0e} of scikit-learn's"
        ));
    }
    summary::write("outlook", &format!("rain in 12 h at three airports, {}", lines.join("; ")));
}

#[test]
fn what_the_outlook_starts_with_is_the_fit_to_all_months() {
    let rows = independent();
    let model = whole(&hours_of(&rows)).unwrap().model;
    let list = |m: &Model| -> Vec<f64> {
        m.means.into_iter().chain(m.spreads).chain([m.intercept]).chain(m.weights).collect()
    };
    let (fitted, kept) = (list(&model), list(&Model::starting()));
    let theirs = rows.iter().find(|row| row[0] == "model").unwrap();
    for (place, (fitted, kept)) in fitted.iter().zip(kept).enumerate() {
        assert!((fitted - kept).abs() < 1e-6, "{place}: fitted {fitted}, kept {kept}");
        let theirs = number(&theirs[place + 1]);
        assert!((fitted - theirs).abs() < 1e-5, "{place}: {fitted}, scikit-learn {theirs}");
    }
}
