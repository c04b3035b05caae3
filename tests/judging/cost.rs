//! What judging costs: invented values, 10 to 1,000 stations, an hour judged and a minute
//! looked at, and what is learned in memory. Steps are a minute or an hour apart in service, so
//! that nothing of the last one is in the processor's caches: they are swept between steps,
//! outside of what is measured.

use observation::{Quantity, Time};
use quality::neighbours::{Limits, Neighbourhood, Quick, Site, Values, nearest};
use std::time::Instant;

const HOUR: i64 = 3_600_000;
/// Hours before measuring, and hours measured.
const BEFORE: i64 = 72;
const MEASURED: i64 = 24;
const MINUTES: u32 = 60;
const LOOKED_AT: [Quantity; 3] =
    [Quantity::AirTemperature, Quantity::RelativeHumidity, Quantity::AirPressureAtMeanSeaLevel];

/// Megabytes in use by this process, where the system tells.
fn megabytes() -> f64 {
    let told = std::fs::read_to_string("/proc/self/statm").unwrap_or_default();
    let pages = told.split(' ').nth(1).and_then(|p| p.parse::<f64>().ok()).unwrap_or(f64::NAN);
    pages * 4_096.0 / 1e6
}

/// More than the caches hold, bytes.
const CACHES: usize = 64 << 20;

/// Walks through so much memory that nothing measured stays in a cache.
fn sweep(memory: &mut [u64]) {
    for value in memory.iter_mut().step_by(8) {
        *value = value.wrapping_add(1);
    }
    std::hint::black_box(memory);
}

fn values(random: &mut fastrand::Rng, stations: usize) -> Vec<Values> {
    (0..stations)
        .map(|_| Values {
            temperature: 10.0 + random.f64(),
            humidity: 70.0 + random.f64(),
            dew_point: f64::NAN,
            pressure: 1000.0 + random.f64(),
            speed: 5.0 + random.f64(),
            direction: 200.0 + random.f64(),
            rain: 0.0,
        })
        .collect()
}

/// Prints a line for each number of stations.
pub(crate) fn print() {
    println!(
        "stations  hour judged, ms (a station)  minute looked at, ms (a station, us)  of a core  MB"
    );
    let mut memory = vec![1_u64; CACHES / size_of::<u64>()];
    for count in [10_usize, 100, 300, 1_000] {
        let site = |i: usize| Site {
            latitude: 54.0 + 0.001 * (i % 32) as f64,
            longitude: -2.0 + 0.001 * (i / 32) as f64,
            elevation: 200.0,
        };
        let sites: Vec<Site> = (0..count).map(site).collect();
        let limits = Limits::default();
        let before = megabytes();
        let mut neighbourhood = Neighbourhood::new(&sites, 1, &limits);
        let mut random = fastrand::Rng::with_seed(1);
        let mut spent = 0.0;
        for hour in 0..BEFORE + MEASURED {
            let row = values(&mut random, count);
            if hour >= BEFORE {
                sweep(&mut memory);
            }
            let start = Instant::now();
            neighbourhood.take(Time(hour * HOUR), &row, &limits);
            if hour >= BEFORE {
                spent += start.elapsed().as_secs_f64() / MEASURED as f64;
            }
        }
        let learned = megabytes() - before;
        let near: Vec<Vec<usize>> = (0..count).map(|own| nearest(&sites, own)).collect();
        let row = values(&mut random, count);
        let mut quick = vec![Quick::default(); count];
        let mut spent_looking = 0.0;
        for _ in 0..MINUTES {
            sweep(&mut memory);
            let start = Instant::now();
            for (own, quick) in quick.iter_mut().enumerate() {
                for quantity in LOOKED_AT {
                    let mut column = vec![row[own].get(quantity)];
                    column.extend(near[own].iter().map(|other| row[*other].get(quantity)));
                    quick.look(quantity, &column, 1.0 / 60.0);
                }
            }
            spent_looking += start.elapsed().as_secs_f64();
        }
        let minute = spent_looking / f64::from(MINUTES);
        let each = count as f64;
        println!(
            "{count:8}  {:.1} ({:.3})  {:.3} ({:.2})  {:.3} %  {learned:.0}",
            spent * 1e3,
            spent * 1e3 / each,
            minute * 1e3,
            minute * 1e6 / each,
            100.0 * (spent / 3_600.0 + minute / 60.0),
        );
    }
}
