//! What came more than once, and whether a fault asked for it.

use isobarn_tests::sink::Sink;
use serde_json::Value;
use std::collections::BTreeMap;
use std::time::Instant;

/// When the service was killed.
#[derive(Default)]
pub(crate) struct Faults(Vec<(Instant, Instant)>);

impl Faults {
    /// Notes a kill: begun and surely done.
    pub(crate) fn add(&mut self, from: Instant, to: Instant) {
        self.0.push((from, to));
    }

    /// A repeat is asked for by a kill that lies between the two deliveries. No more than
    /// one in a hundred of the readings may come twice without.
    pub(crate) fn judge(&self, name: &str, sink: &Sink, readings: usize) {
        let mut last: BTreeMap<String, Instant> = BTreeMap::new();
        let (mut asked, mut unasked) = (0, 0);
        // One that was answered late stands behind the one that came after it.
        let mut taken = sink.taken();
        taken.sort_by_key(|request| request.at);
        for request in taken {
            for line in request.body.lines() {
                let line: Value = serde_json::from_str(line).unwrap();
                let id = line["id"].as_str().unwrap().to_owned();
                if let Some(before) = last.insert(id, request.at) {
                    let fault = self.0.iter().any(|&(from, to)| before <= to && from <= request.at);
                    *(if fault { &mut asked } else { &mut unasked }) += 1;
                }
            }
        }
        println!(
            "{name}: {readings} readings, {asked} again after a kill, {unasked} again without"
        );
        assert!(unasked * 100 <= readings, "{name}: {unasked} of {readings} unasked");
    }
}
