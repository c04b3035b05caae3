//! The formulas over a million values, against the same formulas in plain numpy and
//! against `MetPy` with units (`formulas.py`), in turns in the same run, by processor time.

mod cases;

use crate::measure::{median, pairs};
use cases::{CASES, Case, WMO};
use meteorology::validity::Valid;
use meteorology::{comfort, humidity, pressure};
use std::collections::BTreeMap;
use std::io::{BufRead, BufReader, Write};
use std::path::Path;
use std::process::{Child, ChildStdin, ChildStdout, Command, Stdio};

const COUNT: usize = 1_000_000;

/// Inputs by name: even over the range in which every formula that takes them holds.
fn inputs() -> BTreeMap<&'static str, Vec<f64>> {
    let mut random = fastrand::Rng::with_seed(54);
    let mut even = |low: f64, high: f64| -> Vec<f64> {
        (0..COUNT).map(|_| low + (high - low) * random.f64()).collect()
    };
    let less = |from: &[f64], by: Vec<f64>| -> Vec<f64> {
        from.iter().zip(by).map(|(from, by)| from - by).collect()
    };
    let (t, warm, highest) = (even(-15.0, 40.0), even(20.0, 45.0), even(15.0, 35.0));
    let td = less(&t, even(0.5, 15.0));
    let (wet, mild) = (less(&warm, even(0.0, 8.0)), less(&warm, even(0.0, 20.0)));
    let lowest = less(&highest, even(2.0, 20.0));
    // Midnights: whole days of Unix seconds.
    let midnight = even(18_000.0, 22_000.0).iter().map(|day| day.floor() * 86_400.0).collect();
    let day = even(1.0, 366.0).iter().map(|day| day.floor()).collect();
    let mut inputs = BTreeMap::from([
        ("t", t),
        ("td", td),
        ("warm", warm),
        ("wet", wet),
        ("mild", mild),
        ("highest", highest),
        ("lowest", lowest),
        ("midnight", midnight),
        ("day", day),
    ]);
    for (name, low, high) in [
        ("u", 20.0, 100.0),
        ("p", 850.0, 1050.0),
        ("e", 1.0, 40.0),
        ("w", 0.0, 0.03),
        ("h", 0.0, 700.0),
        ("frosty", -40.0, -0.5),
        ("damp", 20.0, 99.0),
        ("setting", 950.0, 1050.0),
        ("z", 1.0, 20.0),
        ("depth", 0.1, 0.5),
        ("interval", 2.0, 600.0),
        ("kilopascals", 0.5, 2.0),
        ("gentle", 0.5, 8.0),
        ("sunshine", 1.0, 5.0),
        ("hourly", 0.0, 3.0),
        ("outside", 5.0, 42.0),
        ("zenith", 0.0, 85.0),
        ("elevation", 1.0, 89.0),
        ("cold", -40.0, 9.0),
        ("fresh", 1.5, 25.0),
        ("d", 0.0, 360.0),
        ("sector", 200.0, 330.0),
        ("east", -20.0, 20.0),
        ("north", -20.0, 20.0),
        ("time", 1.6e9, 1.9e9),
        ("latitude", 54.0, 54.0),
        ("longitude", -2.0, -2.0),
    ] {
        inputs.insert(name, even(low, high));
    }
    inputs
}

struct Peer {
    child: Child,
    requests: ChildStdin,
    answers: BufReader<ChildStdout>,
}

impl Peer {
    fn start(folder: &Path) -> Self {
        let python = std::env::var("ISOBARN_TESTS_PYTHON").unwrap_or_else(|_| "python3".into());
        let script = concat!(env!("CARGO_MANIFEST_DIR"), "/benchmarks/formulas.py");
        let mut child = Command::new(&python)
            .arg(script)
            .arg(folder)
            // One thread, as ours.
            .env("OMP_NUM_THREADS", "1")
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .expect("Python with the packages of tests/outside/requirements.txt");
        let requests = child.stdin.take().expect("a pipe");
        let answers = BufReader::new(child.stdout.take().expect("a pipe"));
        Self { child, requests, answers }
    }

    /// Seconds a million values; none where the library lacks the formula.
    fn take(&mut self, library: &str, case: &Case, count: usize) -> Option<f64> {
        let names = case.inputs.join("\t");
        writeln!(self.requests, "{library}\t{}\t{count}\t{names}", case.name).expect("a live peer");
        let mut line = String::new();
        self.answers.read_line(&mut line).expect("a live peer");
        line.trim().parse::<f64>().ok().map(|seconds| per_million(seconds, count))
    }
}

fn per_million(seconds: f64, count: usize) -> f64 {
    seconds * 1e6 / count as f64
}

/// Processor time of this thread so far: others on the machine do not count.
pub(crate) fn processor_seconds() -> f64 {
    let text = std::fs::read_to_string("/proc/thread-self/schedstat").expect("Linux");
    let nanoseconds = text.split(' ').next().and_then(|n| n.parse::<f64>().ok());
    nanoseconds.expect("nanoseconds") / 1e9
}

/// Our seconds a million values.
fn ours(case: &Case, arrays: &[&[f64]], out: &mut [f64]) -> f64 {
    // The clock moves with the scheduler's ticks of some milliseconds.
    const LEAST: f64 = 0.2;
    let started = processor_seconds();
    let (mut rounds, mut took) = (0, 0.0);
    while took < LEAST {
        (case.ours)(arrays, out);
        std::hint::black_box(&out);
        rounds += 1;
        took = processor_seconds() - started;
    }
    per_million(took, rounds * out.len())
}

fn largest_difference(folder: &Path, out: &[f64]) -> f64 {
    let bytes = std::fs::read(folder.join("result.f64")).expect("a result");
    let theirs = bytes.as_chunks::<8>().0.iter().map(|b| f64::from_le_bytes(*b));
    let apart = out.iter().zip(theirs).map(|(a, b)| (a - b).abs());
    apart.fold(0.0, |most, apart| if apart.is_nan() { f64::INFINITY } else { most.max(apart) })
}

/// All derived quantities of a station and a minute.
fn chain(inputs: &BTreeMap<&'static str, Vec<f64>>) -> f64 {
    let started = processor_seconds();
    let mut sum = 0.0;
    let (pressures, winds) = (&inputs["p"], &inputs["fresh"]);
    let air = inputs["t"].iter().zip(&inputs["u"]).zip(pressures.iter().zip(winds));
    for ((&t, &u), (&p, &wind)) in air {
        let values = || -> Valid {
            let vapour = humidity::vapour_pressure(WMO, t, u)?;
            let mixed = humidity::mixing_ratio(humidity::MASS_RATIO, vapour, p)?;
            Ok(humidity::dew_point(WMO, t, u)?
                + humidity::wet_bulb(WMO, t, u, p)?
                + humidity::absolute_humidity(vapour, t)?
                + humidity::virtual_temperature(t, mixed)?
                + humidity::air_density(t, vapour, p)?
                + pressure::sea_level(p, t, vapour, 212.0)?
                + pressure::altimeter_setting(p, 212.0)?
                + comfort::apparent_temperature(t, u, wind)?
                + comfort::heat_index(t, u).or_else(|_| comfort::wind_chill(t, wind)).unwrap_or(t))
        };
        sum += values().unwrap_or(f64::NAN);
    }
    std::hint::black_box(sum);
    processor_seconds() - started
}

/// Prints the table.
pub(crate) fn compare() {
    let folder = tempfile::tempdir().expect("a folder");
    let inputs = inputs();
    for (name, values) in &inputs {
        let bytes: Vec<u8> = values.iter().flat_map(|v| v.to_le_bytes()).collect();
        std::fs::write(folder.path().join(format!("{name}.f64")), bytes).expect("a file");
    }
    let mut peer = Peer::start(folder.path());
    println!(
        "| formula | ours, ms a million | numpy, ms | numpy / ours | MetPy, ms | MetPy / ours |"
    );
    println!("|---|---|---|---|---|---|");
    for case in CASES {
        let [plain, with_units] = case.counts;
        let arrays: Vec<&[f64]> = case.inputs.iter().map(|name| &inputs[name][..plain]).collect();
        let mut out = vec![0.0; plain];
        let mut rows: [Vec<f64>; 3] = Default::default();
        for _ in 0..pairs() {
            rows[0].push(ours(case, &arrays, &mut out));
            rows[1].extend(peer.take("numpy", case, plain));
            let apart = largest_difference(folder.path(), &out);
            assert!(apart <= case.apart, "{}: apart by {apart:e}", case.name);
            rows[2].extend(peer.take("metpy", case, with_units));
        }
        let [here, numpy, metpy] = rows.map(|row| (!row.is_empty()).then(|| median(row)));
        let here = here.expect("a time");
        let columns = [numpy, metpy].map(|peer| {
            peer.map_or("- | -".into(), |p| format!("{:.1} | {:.1}", p * 1e3, p / here))
        });
        println!("| {} | {:.1} | {} | {} |", case.name, here * 1e3, columns[0], columns[1]);
    }
    drop(peer.requests);
    peer.child.wait().expect("Python ends");
    let chains = (0..pairs()).map(|_| chain(&inputs) / COUNT as f64 * 1e9).collect();
    println!("\nall derived quantities of a station and a minute: {:.0} ns", median(chains));
}
