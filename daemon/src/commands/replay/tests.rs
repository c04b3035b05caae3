//! What was taken in with kills, saved states, odd batches and steps of the clock gives
//! the same readings as its samples replayed in one go.

use super::player::Player;
use crate::commands::export;
use crate::engine::core::Core;
use crate::engine::restart::{Judge, options};
use history::{History, Options, Reader};
use observation::{
    Finite, Measured, Message, Property, Series, SourceIndex, Stated, StationIndex, Time, Value,
};
use std::fmt::Write as _;
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

pub(crate) const START: Time = Time(1_780_000_000_000);

/// Invented stations: one with everything, one that numbers its messages, one plain.
pub(crate) fn settings(folder: &Path) -> config::Settings {
    let mut text = String::from(
        "[property]\nname = \"Alder Croft\"\nlatitude = 54.07\nlongitude = -2.28\n\
         elevation = \"212 m\"\ntime_zone = \"Europe/London\"\n[history]\ndirectory = \"history\"\n\
         [source.http.push]\nlisten = \"127.0.0.1:0\"\n",
    );
    for station in ["orchard", "hedge", "field"] {
        let _ = write!(
            text,
            "[[station]]\nid = \"{station}\"\nname = \"{station}\"\ninterval = \"30 s\"\n\
             [[station.instrument]]\nid = \"screen\"\nchannel = \"t\"\nquantity = \"air_temperature\"\nunit = \"Cel\"\n\
             [[station.instrument]]\nid = \"slow\"\nchannel = \"s\"\nquantity = \"soil_temperature\"\nunit = \"Cel\"\ninterval = \"5 min\"\n"
        );
        if station == "orchard" {
            text.push_str(
                r#"
[[station.instrument]]
id = "barometer"
channel = "p"
quantity = "surface_air_pressure"
unit = "hPa"
[[station.instrument]]
id = "cup"
channel = "turns"
quantity = "wind_speed"
signal = { pulse_total = { bits = 16 } }
interval = "10 s"
calibration = [{ from = "2020-03-01", slope = "0.66 m/s/Hz", offset = "0.3 m/s", threshold = "0.9 m/s" }]
[[station.instrument]]
id = "vane"
channel = "switches"
quantity = "wind_from_direction"
interval = "10 s"
signal = { switches = { order = "NESW", closed_is = 1, arc = "135 deg" } }
[[station.instrument]]
id = "gauge"
channel = "tips"
quantity = "rainfall_depth"
reports = "on_change"
signal = { change_total = { bits = 8 } }
calibration = [{ from = "2020-03-01", depth = "0.25 mm" }]
"#,
            );
        }
    }
    let path = folder.join("isobarn.toml");
    std::fs::write(&path, text).unwrap();
    config::load_without_secrets(&path, &[]).unwrap_or_else(|faults| panic!("{faults}"))
}

/// Everything a processor's life is made hard with, drawn at random.
pub(crate) struct Weather {
    random: fastrand::Rng,
    property: Arc<Property>,
    turns: u64,
    tips: u64,
    sequence: u64,
    boot: u64,
    sent: Vec<Message>,
}

impl Weather {
    pub(crate) fn new(property: &Arc<Property>, seed: u64) -> Self {
        Self {
            random: fastrand::Rng::with_seed(seed),
            property: Arc::clone(property),
            turns: 0,
            tips: 0,
            sequence: 0,
            boot: 0,
            sent: Vec::new(),
        }
    }

    fn measured(
        &self,
        station: StationIndex,
        channel: &str,
        value: f64,
        stated: Stated,
    ) -> Measured {
        Measured {
            channel: self.property.channel(station, channel).unwrap(),
            value: Value::Number(Finite::new((value * 100.0).round() / 100.0).unwrap()),
            stated,
        }
    }

    pub(crate) fn message(&mut self, now: Time) -> Message {
        if !self.sent.is_empty() && self.random.u8(0..20) == 0 {
            let place = self.random.usize(..self.sent.len());
            return self.sent[place].clone();
        }
        let station = StationIndex(self.random.u16(0..3));
        let late = match self.random.u8(0..30) {
            0..=3 => self.random.i64(0..7_200_000),
            4 => self.random.i64(0..86_400_000 * 3),
            5 => -self.random.i64(0..40_000),
            _ => self.random.i64(0..3_000),
        };
        let stated = match (station.0, self.random.u8(0..12)) {
            (0, 0..=8) => Stated::At(Time(now.0 - late)),
            (0, 9) => Stated::At(Time(self.random.i64(0..1_000_000))),
            (0, 10) => Stated::Relative(-late),
            _ => Stated::Nothing,
        };
        let mut message = Message {
            station,
            source: SourceIndex(0),
            boot: None,
            sequence: None,
            received: now,
            early: self.random.u8(0..10) == 0,
            redelivery: None,
            samples: Vec::new(),
        };
        if station.0 == 1 {
            self.sequence += 1;
            if self.random.u8(0..40) == 0 {
                (self.sequence, self.boot) = (0, self.boot + 1);
            }
            message.sequence = Some(self.sequence);
            if self.boot % 2 == 1 {
                message.boot = Some(Arc::from(format!("b{}", self.boot)));
            }
        }
        let t = self.random.f64() * 70.0 - 30.0;
        message.samples.push(self.measured(station, "t", t, stated));
        if self.random.u8(0..8) == 0 {
            message.samples.push(self.measured(station, "s", t / 4.0 + 8.0, stated));
        }
        if station.0 == 0 {
            self.turns += self.random.u64(0..90);
            self.tips += u64::from(self.random.u8(0..6) == 0);
            if self.random.u8(0..150) == 0 {
                (self.turns, self.tips) = (0, 0);
            }
            let switches = [1, 3, 2, 6, 4, 12, 8, 9, 5, 0][self.random.usize(0..10)];
            let pressure = 985.0 + self.random.f64() * 3.0;
            for (channel, value) in [
                ("p", pressure),
                ("turns", (self.turns % 65_536) as f64),
                ("switches", f64::from(switches)),
                ("tips", (self.tips % 256) as f64),
            ] {
                if self.random.u8(0..10) > 0 {
                    let sample = self.measured(station, channel, value, stated);
                    message.samples.push(sample);
                }
            }
        }
        if self.sent.len() < 400 {
            self.sent.push(message.clone());
        } else {
            let place = self.random.usize(..400);
            self.sent[place] = message.clone();
        }
        message
    }
}

pub(crate) fn open(
    settings: &config::Settings,
    property: &Arc<Property>,
    folder: &Path,
) -> Core<Judge> {
    let history_options = Options { ballast: 0, ..Options::at(START) };
    let (mut history, opened) = History::open(&folder.join("history"), &history_options).unwrap();
    assert_eq!(opened.repairs, Vec::<String>::new());
    let series: Vec<Series> = crate::engine::restart::series(settings);
    history.register(START, property, &series, &["push".to_owned()]).unwrap();
    let judge = Judge::restored(property, options(settings), &history, &mut |_| {}).unwrap();
    let again = (Arc::clone(property), options(settings));
    Core::standing(
        judge,
        history,
        Box::new(move |h| Judge::restored(&again.0, again.1, h, &mut |_| {})),
    )
}

/// Hours of weather with kills; what `export` gives and what its samples replay to.
fn lived_and_replayed(seed: u64, steps: bool) -> (String, String) {
    let folder = tempfile::tempdir().unwrap();
    let settings = settings(folder.path());
    let property = Arc::new(settings.property.clone());
    let mut weather = Weather::new(&property, seed);
    let mut core = open(&settings, &property, folder.path());
    let mut now = START;
    let end = Time(START.0 + 6 * 3_600_000);
    while now < end {
        let pause = match weather.random.u8(0..200) {
            0 => weather.random.i64(0..1_500_000),
            1..=20 => 0,
            _ => weather.random.i64(0..12_000),
        };
        now = Time(now.0 + pause);
        let message = weather.message(now);
        core.take(Message { received: now, ..message }, Duration::ZERO).unwrap();
        if weather.random.u8(0..4) == 0 {
            now = Time(now.0 + weather.random.i64(0..70_000));
            core.walk(now);
        }
        if weather.random.u8(0..3) == 0 {
            let state = weather.random.u8(0..60) == 0;
            core.commit().unwrap();
            core.committed();
            if state {
                core.save_state().unwrap();
            }
            assert_eq!(core.read_fault(), None);
        }
        if steps && weather.random.u16(0..900) == 0 {
            let new = Time(now.0 + weather.random.i64(-1_800_000..1_800_000));
            core.walk(now);
            core.commit().unwrap();
            core.committed();
            core.step_clock(now, new);
            core.commit().unwrap();
            core.committed();
            core.record_step(now, new).unwrap();
            now = new;
        }
        if weather.random.u16(0..150) == 0 {
            // Killed: what was not committed is gone, and so is all that was in memory.
            drop(core);
            core = open(&settings, &property, folder.path());
            now = now.max(core.walked());
        }
    }
    core.walk(now);
    core.commit().unwrap();
    core.committed();
    core.save_state().unwrap();
    drop(core);

    let series = crate::engine::restart::series(&settings);
    let reader =
        Reader::open(&folder.path().join("history"), &property, &series, &["push".to_owned()])
            .unwrap();
    let readings = export::everything(&reader, &property, false).unwrap();
    let samples = export::everything(&reader, &property, true).unwrap();
    let replayed = replayed(&settings, &samples);
    (String::from_utf8(readings).unwrap(), replayed)
}

/// What replay makes of exported samples, the highest revisions only.
pub(crate) fn replayed(settings: &config::Settings, samples: &[u8]) -> String {
    let mut player = Player::new(settings, true).unwrap_or_else(|f| panic!("{}", f.message));
    let (mut samples, mut output) = (samples, Vec::new());
    player
        .play(&mut samples, &mut output, &crate::commands::progress::Progress::new())
        .and_then(|()| player.finish(&mut output))
        .unwrap_or_else(|f| panic!("{}", f.message));
    println!("{}", player.summary());
    String::from_utf8(output).unwrap()
}

fn same(lived: &str, replayed: &str, seed: u64) {
    for (number, (ours, theirs)) in lived.lines().zip(replayed.lines()).enumerate() {
        assert_eq!(ours, theirs, "seed {seed}: line {} differs", number + 1);
    }
    assert_eq!(lived.lines().count(), replayed.lines().count(), "seed {seed}");
    assert!(lived.lines().count() > 1_000, "{} readings", lived.lines().count());
}

#[test]
fn killed_and_restarted_at_random_the_replay_gives_the_same_readings() {
    for seed in 1..=3 {
        let (lived, replayed) = lived_and_replayed(seed, false);
        same(&lived, &replayed, seed);
    }
}

#[test]
fn steps_of_the_clock_are_replayed_where_they_happened() {
    for seed in 11..=12 {
        let (lived, replayed) = lived_and_replayed(seed, true);
        same(&lived, &replayed, seed);
    }
}
