#![allow(clippy::unwrap_used, clippy::expect_used)]

use super::*;
use crate::Finite;
use proptest::prelude::*;

const NESW: [f64; 4] = [0.0, 90.0, 180.0, 270.0];
const N: u8 = 1;
const E: u8 = 2;
const S: u8 = 4;
const W: u8 = 8;

fn switches(arcs: [f64; 4]) -> Switches {
    Switches { azimuths: NESW, closed_is: true, arcs }
}

fn vane(arc: f64) -> Vane {
    Vane::new(&switches([arc; 4]), 0.0).unwrap()
}

fn read(vane: &Vane, bits: u8) -> Pointing {
    vane.read_bits(bits, Time(0), &mut Seen::default(), None)
}

// Four switches make eight points: alone the cardinal, pairs of neighbours the point
// between: common practice.
#[test]
fn wide_arcs_give_eight_points() {
    for arc in [135.0, 100.0] {
        let vane = vane(arc);
        for (bits, degrees) in [
            (N, 360.0),
            (N | E, 45.0),
            (E, 90.0),
            (E | S, 135.0),
            (S, 180.0),
            (S | W, 225.0),
            (W, 270.0),
            (W | N, 315.0),
        ] {
            assert_eq!(read(&vane, bits), Pointing::At(degrees), "{bits} at {arc}");
        }
    }
}

#[test]
fn impossible_states_are_faults_with_a_reason() {
    use VaneFault::{NoneClosed, Opposite, TooMany};
    let vane = vane(135.0);
    for (bits, fault) in [
        (0, NoneClosed),
        (N | S, Opposite),
        (E | W, Opposite),
        (N | E | S, TooMany),
        (E | S | W, TooMany),
        (15, TooMany),
    ] {
        assert_eq!(read(&vane, bits), Pointing::Fault(fault), "{bits}");
        assert!(!fault.reason().is_empty());
    }
}

// At 135 degrees all eight sectors are equal; at 100 pairs get 10 and single points
// 80; below 90 the rest is gaps (calculated).
#[test]
fn arcs_share_out_the_circle() {
    for (arc, alone, between, closed_between) in
        [(135.0, 45.0, 45.0, true), (100.0, 80.0, 10.0, true), (70.0, 70.0, 20.0, false)]
    {
        let vane = vane(arc);
        assert_eq!(vane.sectors().len(), 8, "{arc}");
        for (i, sector) in vane.sectors().iter().enumerate() {
            // Clockwise from the north-east.
            let cardinal = i % 2 == 1;
            let width = if cardinal { alone } else { between };
            assert!((sector.width - width).abs() < 1e-9, "{arc}: {sector:?}");
            assert!((sector.middle - 45.0 * (i as f64 + 1.0)).abs() < 1e-9, "{arc}: {sector:?}");
            let switches = if cardinal { 1 } else { u32::from(closed_between) * 2 };
            assert_eq!(sector.closed.count_ones(), switches, "{arc}: {sector:?}");
        }
    }
}

#[test]
fn a_gap_is_the_point_between_two_neighbours_just_seen() {
    let vane = vane(70.0);
    let mut seen = Seen::default();
    let mut at =
        |seconds: i64, bits, hold| vane.read_bits(bits, Time(seconds * 1_000), &mut seen, hold);
    assert_eq!(at(0, 0, None), Pointing::Unknown);
    assert_eq!(at(10, N, None), Pointing::At(360.0));
    assert_eq!(at(20, 0, None), Pointing::Unknown);
    // The last direction fills it only where the caller says so.
    assert_eq!(at(30, 0, Some(360.0)), Pointing::At(360.0));
    assert_eq!(at(40, E, None), Pointing::At(90.0));
    assert_eq!(at(50, 0, None), Pointing::At(45.0));
    assert_eq!(at(60, 0, Some(360.0)), Pointing::At(45.0));
    assert_eq!(at(70, S, None), Pointing::At(180.0));
    assert_eq!(at(80, 0, None), Pointing::At(135.0));
    // North after south are no neighbours.
    assert_eq!(at(90, N, None), Pointing::At(360.0));
    assert_eq!(at(100, 0, None), Pointing::Unknown);
    assert_eq!(at(110, W, None), Pointing::At(270.0));
    assert_eq!(at(120, 0, None), Pointing::At(315.0));
    // What was seen long ago is not just seen.
    assert_eq!(at(120 + 660, 0, None), Pointing::Unknown);
    // Neither is a neighbour left long ago, though the other was seen a moment ago.
    assert_eq!(at(2_000, N, None), Pointing::At(360.0));
    assert_eq!(at(2_010, E, None), Pointing::At(90.0));
    assert_eq!(at(2_590, E, None), Pointing::At(90.0));
    assert_eq!(at(2_595, 0, None), Pointing::At(45.0));
    assert_eq!(at(2_605, E, None), Pointing::At(90.0));
    assert_eq!(at(2_606, 0, None), Pointing::Unknown);
    // A fault is never held over.
    assert_eq!(at(2_700, N | S, Some(90.0)), Pointing::Fault(VaneFault::Opposite));
}

#[test]
fn mixed_arcs_mean_the_middle_of_their_measured_sectors() {
    // North closes over 150, east over 80: their overlap is 50 to 75 degrees.
    let vane = Vane::new(&switches([150.0, 80.0, 120.0, 120.0]), 0.0).unwrap();
    assert_eq!(read(&vane, N | E), Pointing::At(62.5));
    // East alone from 75 to 120, where south begins.
    assert_eq!(read(&vane, E), Pointing::At(97.5));
    assert_eq!(read(&vane, S | W), Pointing::At(225.0));
    assert_eq!(read(&vane, 0), Pointing::Fault(VaneFault::NoneClosed));
}

#[test]
fn arcs_that_just_touch_may_open_or_overlap() {
    let vane = vane(90.0);
    assert_eq!(vane.sectors().len(), 4);
    assert_eq!(read(&vane, N | E), Pointing::At(45.0));
    assert_eq!(read(&vane, 0), Pointing::Unknown);
    assert_eq!(read(&vane, S), Pointing::At(180.0));
}

#[test]
fn order_polarity_and_mounting_are_settings() {
    let order =
        Switches { azimuths: [270.0, 180.0, 90.0, 0.0], closed_is: false, arcs: [135.0; 4] };
    let vane = Vane::new(&order, -10.0).unwrap();
    // All open but the lowest bit: west, turned ten degrees back.
    assert_eq!(read(&vane, 0b1110), Pointing::At(260.0));
    assert_eq!(read(&vane, 0b0111), Pointing::At(350.0));
    assert_eq!(read(&vane, 0b1111), Pointing::Fault(VaneFault::NoneClosed));
}

#[test]
fn raw_values_are_bits_digits_or_points() {
    let vane = vane(135.0);
    let number = |n| Value::Number(Finite::new(n).unwrap());
    let text = |t: &str| Value::Text(t.into());
    let fault = Pointing::Fault(VaneFault::NoState);
    for (raw, expected) in [
        (number(3.0), Pointing::At(45.0)),
        (number(0.0), Pointing::Fault(VaneFault::NoneClosed)),
        (number(16.0), fault),
        (number(-1.0), fault),
        (number(1.5), fault),
        (text("0110"), Pointing::At(135.0)),
        (text("1000"), Pointing::At(360.0)),
        (text("SSW"), Pointing::At(202.5)),
        (text("nw"), Pointing::At(315.0)),
        (text("11"), fault),
        (text("01100"), fault),
        (text("012x"), fault),
        (text(""), fault),
        (text("ééé"), fault),
    ] {
        assert_eq!(vane.read(&raw, Time(0), &mut Seen::default(), None), expected, "{raw:?}");
    }
}

#[test]
fn impossible_geometries_are_refused() {
    let with = |azimuths, arcs| Vane::new(&Switches { azimuths, closed_is: true, arcs }, 0.0);
    assert!(with(NESW, [0.0, 90.0, 90.0, 90.0]).is_none());
    assert!(with(NESW, [180.0; 4]).is_none());
    assert!(with(NESW, [f64::NAN; 4]).is_none());
    assert!(with([0.0, 0.0, 180.0, 270.0], [135.0; 4]).is_none());
    assert!(with([0.0, 10.0, 20.0, 30.0], [135.0; 4]).is_none());
    assert!(with([f64::INFINITY, 90.0, 180.0, 270.0], [135.0; 4]).is_none());
    assert!(Vane::new(&switches([135.0; 4]), f64::NAN).is_none());
}

/// The switches that a vane at an azimuth closes.
fn closed_at(switches: &Switches, azimuth: f64) -> u8 {
    (0_u8..4)
        .filter(|&s| {
            let s = usize::from(s);
            let off = (azimuth - switches.azimuths[s]).rem_euclid(360.0);
            off.min(360.0 - off) < switches.arcs[s] / 2.0
        })
        .fold(0, |bits, s| bits | 1 << s)
}

proptest! {
    #[test]
    fn every_azimuth_reads_as_a_direction_within_half_its_sector(
        arcs in prop::array::uniform4(91.0_f64..179.0),
        azimuth in 0.0_f64..360.0,
        mounting in -180.0_f64..180.0,
    ) {
        let switches = switches(arcs);
        let vane = Vane::new(&switches, mounting).unwrap();
        let width: f64 = vane.sectors().iter().map(|s| s.width).sum();
        prop_assert!((width - 360.0).abs() < 1e-6);
        let got = read(&vane, closed_at(&switches, azimuth)).direction();
        let got = got.unwrap();
        prop_assert!(got > 0.0 && got <= 360.0);
        let widest = vane.sectors().iter().map(|s| s.width).fold(0.0, f64::max);
        prop_assert!(turn(got, azimuth + mounting).abs() <= widest / 2.0 + 1e-6);
    }

    #[test]
    fn narrow_arcs_cover_the_circle_once_their_neighbours_were_seen(
        arcs in prop::array::uniform4(30.0_f64..85.0),
        azimuth in 0.0_f64..360.0,
    ) {
        let switches = switches(arcs);
        let vane = Vane::new(&switches, 0.0).unwrap();
        let closed = closed_at(&switches, azimuth);
        let mut seen = Seen::default();
        if closed == 0 {
            // Swing over the gap first.
            let low = (azimuth / 90.0).floor() * 90.0;
            vane.read_bits(closed_at(&switches, low), Time(0), &mut seen, None);
            vane.read_bits(closed_at(&switches, low + 90.0), Time(1), &mut seen, None);
        }
        let got = vane.read_bits(closed, Time(2), &mut seen, None).direction().unwrap();
        prop_assert!(turn(got, azimuth).abs() <= 45.0 + 1e-6);
    }

    #[test]
    fn whatever_comes_the_answer_is_a_direction_on_the_circle_or_none(
        arcs in prop::array::uniform4(any::<f64>()),
        azimuths in prop::array::uniform4(any::<f64>()),
        mounting in any::<f64>(),
        states in prop::collection::vec((any::<u8>(), any::<i64>()), 0..20),
        hold in prop::option::of(any::<f64>()),
        text in ".{0,6}",
    ) {
        let switches = Switches { azimuths, closed_is: true, arcs };
        for vane in [Vane::new(&switches, mounting), Some(vane(70.0))].into_iter().flatten() {
            let mut seen = Seen::default();
            for &(bits, time) in &states {
                let got = vane.read_bits(bits, Time(time), &mut seen, hold).direction();
                prop_assert!(got.is_none_or(|d| d > 0.0 && d <= 360.0));
            }
            let raw = Value::Text(text.as_str().into());
            let got = vane.read(&raw, Time(0), &mut seen, hold).direction();
            prop_assert!(got.is_none_or(|d| d > 0.0 && d <= 360.0));
        }
    }
}
