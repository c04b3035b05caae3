//! How fast senders may be: a bucket of samples a station, and a bucket of failed
//! tokens an address, in a bounded map.
//!
//! A right token is never refused for what others at the same address do: several
//! stations may stand behind one reverse proxy.

use crate::payload::Decoded;
use observation::{Property, StationIndex};
use std::collections::HashMap;
use std::net::{IpAddr, Ipv6Addr};
use std::sync::{Mutex, MutexGuard, PoisonError};
use tokio::time::Instant;

/// Over how many seconds a station's rate is averaged.
const AVERAGED: f64 = 10.0;
/// Failed tokens that one address has at once, and how many come back a second.
const FAILURES: f64 = 200.0;
const FAILURES_BACK: f64 = 5.0;
/// Most addresses that are remembered.
const MOST_ADDRESSES: usize = 1_024;

/// A bucket that fills at `rate` up to `size`.
#[derive(Clone, Copy, Debug)]
struct Bucket {
    level: f64,
    size: f64,
    rate: f64,
    at: Instant,
}

impl Bucket {
    fn full(size: f64, rate: f64, now: Instant) -> Self {
        Self { level: size, size, rate, at: now }
    }

    fn fill(&mut self, now: Instant) {
        let seconds = now.saturating_duration_since(self.at).as_secs_f64();
        self.level = (self.level + seconds * self.rate).min(self.size);
        self.at = now;
    }

    /// How many seconds until `amount` is there; 0 if it is. What is larger than the
    /// bucket is let through when the bucket is full, and owed afterwards.
    fn wait(&self, amount: f64) -> f64 {
        let lacking = amount.min(self.size) - self.level;
        if lacking <= 0.0 { 0.0 } else { lacking / self.rate.max(1e-9) }
    }
}

/// All buckets of one listener.
#[derive(Debug)]
pub(super) struct Pace {
    stations: Vec<Mutex<Bucket>>,
    addresses: Mutex<HashMap<IpAddr, Bucket>>,
}

impl Pace {
    pub(super) fn new(property: &Property) -> Self {
        let now = Instant::now();
        let bucket = |rate: f64| Mutex::new(Bucket::full(rate * AVERAGED, rate, now));
        Self {
            stations: property.stations.iter().map(|s| bucket(s.rate)).collect(),
            addresses: Mutex::new(HashMap::new()),
        }
    }

    /// Takes the samples of all messages out of their stations' buckets, or of none.
    ///
    /// # Errors
    /// The first station that is too fast, and after how many seconds it is not.
    pub(super) fn samples(&self, messages: &[Decoded]) -> Result<(), (StationIndex, f64)> {
        let now = Instant::now();
        for message in messages {
            if let Some(mut bucket) = self.station(message.station) {
                bucket.fill(now);
                let wait = bucket.wait(message.samples.len() as f64);
                if wait > 0.0 {
                    return Err((message.station, wait));
                }
            }
        }
        for message in messages {
            if let Some(mut bucket) = self.station(message.station) {
                bucket.level -= message.samples.len() as f64;
            }
        }
        Ok(())
    }

    /// Notes a failed token.
    ///
    /// # Errors
    /// How many seconds the address has to wait, if it has failed too often.
    pub(super) fn failed(&self, address: IpAddr) -> Result<(), f64> {
        let now = Instant::now();
        let address = neighbourhood(address);
        let mut addresses = lock(&self.addresses);
        if addresses.len() >= MOST_ADDRESSES && !addresses.contains_key(&address) {
            // The one that has failed least, or longest ago, is forgotten.
            for bucket in addresses.values_mut() {
                bucket.fill(now);
            }
            let fullest = addresses.iter().max_by(|a, b| a.1.level.total_cmp(&b.1.level));
            if let Some(fullest) = fullest.map(|(address, _)| *address) {
                addresses.remove(&fullest);
            }
        }
        let bucket =
            addresses.entry(address).or_insert_with(|| Bucket::full(FAILURES, FAILURES_BACK, now));
        bucket.fill(now);
        let wait = bucket.wait(1.0);
        if wait > 0.0 {
            return Err(wait);
        }
        bucket.level -= 1.0;
        Ok(())
    }

    fn station(&self, station: StationIndex) -> Option<MutexGuard<'_, Bucket>> {
        self.stations.get(usize::from(station.0)).map(lock)
    }
}

fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

/// One household has one IPv4 address or one IPv6 network of 64 bits.
fn neighbourhood(address: IpAddr) -> IpAddr {
    match address.to_canonical() {
        IpAddr::V6(v6) => {
            let [a, b, c, d, ..] = v6.segments();
            IpAddr::V6(Ipv6Addr::new(a, b, c, d, 0, 0, 0, 0))
        }
        v4 @ IpAddr::V4(_) => v4,
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use observation::{ChannelIndex, Finite, Measured, Stated, Value};
    use std::time::Duration;

    fn message(samples: usize) -> Decoded {
        let sample = Measured {
            channel: ChannelIndex(0),
            value: Value::Number(Finite::ZERO),
            stated: Stated::Nothing,
        };
        Decoded {
            station: StationIndex(0),
            boot: None,
            sequence: None,
            samples: vec![sample; samples],
        }
    }

    fn pace(rate: f64) -> Pace {
        let mut property = crate::sources::fixtures::alder_croft();
        property.stations[0].rate = rate;
        Pace::new(&property)
    }

    #[tokio::test(start_paused = true)]
    async fn a_station_gets_its_rate_over_ten_seconds() {
        let pace = pace(2.0);
        for _ in 0..20 {
            pace.samples(&[message(1)]).unwrap();
        }
        let (station, wait) = pace.samples(&[message(1)]).unwrap_err();
        assert_eq!(station, StationIndex(0));
        assert!((wait - 0.5).abs() < 1e-9, "{wait}");
        tokio::time::advance(Duration::from_millis(500)).await;
        pace.samples(&[message(1)]).unwrap();
        // Refused whole: nothing was taken out for the part that would have fitted.
        tokio::time::advance(Duration::from_secs(1)).await;
        assert!(pace.samples(&[message(3)]).is_err());
        pace.samples(&[message(2)]).unwrap();
    }

    #[tokio::test(start_paused = true)]
    async fn a_message_larger_than_the_bucket_is_owed() {
        let pace = pace(1.0);
        pace.samples(&[message(100)]).unwrap();
        let wait = pace.samples(&[message(1)]).unwrap_err().1;
        assert!((wait - 91.0).abs() < 1e-9, "{wait}");
    }

    #[tokio::test(start_paused = true)]
    async fn failures_are_counted_by_address_and_the_map_stays_bounded() {
        let pace = pace(1.0);
        let one: IpAddr = "192.0.2.1".parse().unwrap();
        for _ in 0..200 {
            pace.failed(one).unwrap();
        }
        assert_eq!(pace.failed(one), Err(0.2));
        pace.failed("192.0.2.2".parse().unwrap()).unwrap();
        for i in 0..5_000_u16 {
            pace.failed(IpAddr::V6(Ipv6Addr::new(0x2001, 0xdb8, i, 0, 0, 0, 0, 1))).unwrap();
        }
        assert!(lock(&pace.addresses).len() <= MOST_ADDRESSES);
        // The one that failed most is not the one that was forgotten.
        assert!(pace.failed(one).is_err());
    }
}
