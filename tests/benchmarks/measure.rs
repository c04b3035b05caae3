//! Rates, processor time and their medians.

use std::time::Duration;

/// How long one measurement lasts.
pub(crate) fn length() -> Duration {
    let seconds = std::env::var("ISOBARN_BENCHMARK_SECONDS").ok().and_then(|s| s.parse().ok());
    Duration::from_secs_f64(seconds.unwrap_or(5.0))
}

/// Alternating pairs of one comparison.
pub(crate) fn pairs() -> usize {
    std::env::var("ISOBARN_BENCHMARK_PAIRS").ok().and_then(|s| s.parse().ok()).unwrap_or(5)
}

/// One measurement.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Figure {
    /// Acknowledged samples a second.
    pub(crate) rate: f64,
    /// Processor seconds of the server a million samples.
    pub(crate) cost: f64,
}

/// From a count of acknowledged samples, a time, and the server's processor time.
pub(crate) fn figure(samples: u64, took: Duration, processor: Duration) -> Figure {
    let count = samples as f64;
    Figure { rate: count / took.as_secs_f64(), cost: processor.as_secs_f64() / count * 1e6 }
}

/// Processor time of a process so far, user and system.
pub(crate) fn processor_time(process: u32) -> Duration {
    let text = std::fs::read_to_string(format!("/proc/{process}/stat")).expect("a live process");
    let after_name = text.rsplit(") ").next().expect("a name in brackets");
    let field = |n: usize| -> u64 {
        after_name.split(' ').nth(n).and_then(|f| f.parse().ok()).expect("a number")
    };
    // Linux counts in hundredths of a second on every platform that matters here.
    Duration::from_millis((field(11) + field(12)) * 10)
}

/// Resident memory of a process in bytes.
pub(crate) fn resident(process: u32) -> u64 {
    let text = std::fs::read_to_string(format!("/proc/{process}/status")).expect("a live process");
    text.lines()
        .find_map(|l| l.strip_prefix("VmRSS:"))
        .and_then(|l| l.split_whitespace().next())
        .and_then(|n| n.parse::<u64>().ok())
        .expect("a size")
        * 1024
}

/// The middle of some numbers.
pub(crate) fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    let middle = values.len() / 2;
    if values.len() % 2 == 1 {
        values[middle]
    } else {
        f64::midpoint(values[middle - 1], values[middle])
    }
}

/// Runs `ours` and `peer` in turns and prints the table's row.
pub(crate) fn in_turns(
    what: &str,
    goal: f64,
    mut ours: impl FnMut() -> Figure,
    mut peer: impl FnMut() -> Figure,
) {
    let mut rows = Vec::new();
    for _ in 0..pairs() {
        rows.push((ours(), peer()));
    }
    let middle = |f: &dyn Fn(&(Figure, Figure)) -> f64| median(rows.iter().map(f).collect());
    let each: Vec<String> = rows.iter().map(|(a, b)| format!("{:.2}", a.rate / b.rate)).collect();
    println!(
        "{what}: ratio {:.2} (goal {goal}; pairs {}); ours {:.0}/s at {:.2} s a million, peer {:.0}/s at {:.2} s a million",
        middle(&|(a, b)| a.rate / b.rate),
        each.join(" "),
        middle(&|(a, _)| a.rate),
        middle(&|(a, _)| a.cost),
        middle(&|(_, b)| b.rate),
        middle(&|(_, b)| b.cost),
    );
}
