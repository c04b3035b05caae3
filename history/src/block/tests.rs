#![allow(clippy::unwrap_used, clippy::expect_used)]
use super::*;
use observation::{Flag, Reason, Reasons};

fn run(random: &mut fastrand::Rng, series: u32, day: i64) -> Run {
    let mut value = 1_000;
    (0..1_440)
        .filter_map(|minute| {
            if random.u8(..50) == 0 {
                return None;
            }
            value += random.i64(-4..5);
            let odd = random.u8(..40) == 0;
            Some(Reading {
                series: SeriesIndex(series),
                time: Time(day * DAY + minute * 60_000),
                value: (random.u8(..60) > 0).then_some(value),
                flag: if odd { Flag::Doubtful } else { Flag::Good },
                reasons: if odd { Reasons::NONE.with(Reason::Step) } else { Reasons::NONE },
                revision: u32::from(odd),
                made_by: 1,
            })
        })
        .collect()
}

fn block() -> (Block, Vec<(u32, Run)>, Vec<u8>) {
    let mut random = fastrand::Rng::with_seed(5);
    let head = Block { station: 3, day: 20_000, week: false, revision: 1, lowest: 4, highest: 99 };
    let mut series: Vec<(u32, Run)> = [1, 2, 9].map(|n| (n, run(&mut random, n, head.day))).into();
    series.push((12, Vec::new()));
    let body = head.pack(&series);
    (head, series, body)
}

fn readings(head: &Block, body: &[u8]) -> Result<Vec<Reading>, Garbage> {
    let mut found = Vec::new();
    head.read(body, EVER, &|n| Some(SeriesIndex(n)), &mut |r| found.extend_from_slice(r))?;
    Ok(found)
}

#[test]
fn a_block_reads_as_it_was_packed_and_by_series() {
    let (head, series, body) = block();
    let all: Vec<Reading> = series.iter().flat_map(|(_, r)| r.clone()).collect();
    assert_eq!(readings(&head, &body).unwrap(), all);
    let mut one = Vec::new();
    head.read(&body, EVER, &|n| (n == 2).then_some(SeriesIndex(n)), &mut |r| {
        one.extend_from_slice(r);
    })
    .unwrap();
    assert_eq!(one, series[1].1);
}

#[test]
fn every_flipped_bit_and_every_cut_is_found() {
    let (head, _, body) = block();
    for place in 0..body.len() {
        let mut other = body.clone();
        other[place] ^= 1 << (place % 8);
        assert!(readings(&head, &other).is_err(), "bit at {place}");
    }
    for length in 0..body.len() {
        assert!(readings(&head, &body[..length]).is_err(), "cut at {length}");
    }
    assert!(readings(&Block { highest: 100, ..head }, &body).is_err());
}

#[test]
fn bytes_under_a_fitting_checksum_never_panic() {
    let (head, _, body) = block();
    let mut random = fastrand::Rng::with_seed(6);
    for _ in 0..3_000 {
        let mut other = body[..body.len() - 4].to_vec();
        for _ in 0..random.usize(1..4) {
            // Heads are near the begin and decide most.
            let end = if random.bool() { 60 } else { other.len() };
            let place = random.usize(..end);
            other[place] = random.u8(..);
        }
        let sum = head.checksum(&other);
        other.extend_from_slice(&sum);
        let _ = readings(&head, &other);
    }
}
