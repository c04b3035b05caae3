//! Readings, a head and the parts that differ from the usual.

use super::Unnamed;
use super::bytes::{Garbage, Input, put, put_signed};
use crate::names::Names;
use observation::{Flag, Reading, Reasons, Time};

const FLAG: u8 = 7;
const SAME_TIME: u8 = 1 << 3;
const REASONS: u8 = 1 << 4;
const REVISION: u8 = 1 << 5;
const MADE_BY: u8 = 1 << 6;
const VALUE: u8 = 1 << 7;

pub(crate) fn put_readings(
    out: &mut Vec<u8>,
    names: &Names,
    readings: &[Reading],
    received: Time,
) -> Result<(), Unnamed> {
    put(out, readings.len() as u64);
    let (mut series_before, mut time_before) = (0_i64, received);
    for reading in readings {
        let Reading { series, time, value, flag, reasons, revision, made_by } = *reading;
        let number = i64::from(names.series_number(series).ok_or(Unnamed::Series(series))?);
        let flag_if = |set: bool, bit: u8| if set { bit } else { 0 };
        out.push(
            flag.number()
                | flag_if(time == time_before, SAME_TIME)
                | flag_if(!reasons.is_empty(), REASONS)
                | flag_if(revision != 0, REVISION)
                | flag_if(made_by != 0, MADE_BY)
                | flag_if(value.is_some(), VALUE),
        );
        put_signed(out, number - series_before);
        if time != time_before {
            put_signed(out, time.0.wrapping_sub(time_before.0));
        }
        if !reasons.is_empty() {
            put(out, u64::from(reasons.bits()));
        }
        if revision != 0 {
            put(out, u64::from(revision));
        }
        if made_by != 0 {
            put(out, u64::from(made_by));
        }
        if let Some(value) = value {
            put_signed(out, value);
        }
        (series_before, time_before) = (number, time);
    }
    Ok(())
}

/// Reads readings one by one. A series that this program cannot name any more gives
/// none in its place.
pub(crate) fn read_readings(
    input: &mut Input<'_>,
    names: &Names,
    received: Time,
    each: &mut dyn FnMut(u32, Reading),
) -> Result<(), Garbage> {
    let count = u32::try_from(input.count()?).map_err(|_| Garbage("too many readings"))?;
    let (mut number, mut time) = (0_i64, received);
    for place in 0..count {
        let head = input.byte()?;
        let flag = Flag::from_number(head & FLAG).ok_or(Garbage("unknown flag"))?;
        number = number.wrapping_add(input.signed()?);
        if head & SAME_TIME == 0 {
            time = Time(time.0.wrapping_add(input.signed()?));
        }
        let mut part = |bit: u8| if head & bit == 0 { Ok(0) } else { input.number() };
        let bits = u16::try_from(part(REASONS)?).map_err(|_| Garbage("unknown reasons"))?;
        let reasons = Reasons::from_bits(bits);
        if reasons.bits() != bits {
            return Err(Garbage("unknown reasons"));
        }
        let revision =
            u32::try_from(part(REVISION)?).map_err(|_| Garbage("revision out of range"))?;
        let made_by =
            u32::try_from(part(MADE_BY)?).map_err(|_| Garbage("calibration out of range"))?;
        let value = if head & VALUE == 0 { None } else { Some(input.signed()?) };
        let series = u32::try_from(number).map_err(|_| Garbage("unknown series number"))?;
        if let Some(series) = names.series_at(series) {
            each(place, Reading { series, time, value, flag, reasons, revision, made_by });
        }
    }
    Ok(())
}
