//! Numbers and instants as ASCII, appended digit by digit: readings leave by the million,
//! and a formatter costs several times as much.

use crate::time::{DAY, HOUR, MINUTE, SECOND};
use crate::{Date, Time};
use std::io::Write as _;

/// Appends a whole number.
pub fn whole(number: u64, out: &mut Vec<u8>) {
    padded(number, 1, out);
}

/// Appends a whole number with at least `width` digits, at most 20.
fn padded(number: u64, width: usize, out: &mut Vec<u8>) {
    // The greatest number has 20 digits.
    let mut digits = [b'0'; 20];
    let (mut rest, mut used) = (number, 0);
    for digit in digits.iter_mut().rev() {
        if rest == 0 && used >= width {
            break;
        }
        *digit = b'0' + (rest % 10) as u8;
        rest /= 10;
        used += 1;
    }
    out.extend_from_slice(digits.get(digits.len() - used..).unwrap_or_default());
}

/// Appends `steps` as a decimal text without trailing zeros: `-0.05`, `17.3`, `4`.
pub fn decimal(steps: i64, decimals: u8, out: &mut Vec<u8>) {
    if steps < 0 {
        out.push(b'-');
    }
    let mut rest = steps.unsigned_abs();
    let mut decimals = usize::from(decimals);
    while decimals > 0 && rest.is_multiple_of(10) {
        rest /= 10;
        decimals -= 1;
    }
    let place = u32::try_from(decimals).ok().and_then(|d| 10_u64.checked_pow(d));
    match place {
        _ if decimals == 0 => whole(rest, out),
        Some(place) => {
            whole(rest / place, out);
            out.push(b'.');
            padded(rest % place, decimals, out);
        }
        // More decimals than a number of 64 bits has digits.
        None => {
            out.extend_from_slice(b"0.");
            out.extend(std::iter::repeat_n(b'0', decimals.saturating_sub(20)));
            padded(rest, decimals.min(20), out);
        }
    }
}

/// Appends an instant in RFC 3339, with milliseconds only where they are not zero; the
/// same text as its [`std::fmt::Display`].
pub fn instant(time: Time, out: &mut Vec<u8>) {
    let date = Date::of_day(time.0.div_euclid(DAY));
    // The library ends within the year 9999, and before the year 0 there is a sign.
    let Some(year) = u64::try_from(date.year).ok().filter(|year| *year < 9_999) else {
        let _ = write!(out, "{time}");
        return;
    };
    let within = time.0.rem_euclid(DAY).unsigned_abs();
    let part = |size: i64, of: i64| within % of.unsigned_abs() / size.unsigned_abs();
    padded(year, 4, out);
    out.push(b'-');
    padded(u64::from(date.month), 2, out);
    out.push(b'-');
    padded(u64::from(date.day), 2, out);
    out.push(b'T');
    padded(part(HOUR, DAY), 2, out);
    out.push(b':');
    padded(part(MINUTE, HOUR), 2, out);
    out.push(b':');
    padded(part(SECOND, MINUTE), 2, out);
    let milliseconds = part(1, SECOND);
    if milliseconds > 0 {
        out.push(b'.');
        padded(milliseconds, 3, out);
    }
    out.push(b'Z');
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn text(write: impl FnOnce(&mut Vec<u8>)) -> String {
        let mut out = Vec::new();
        write(&mut out);
        String::from_utf8(out).unwrap()
    }

    /// The same by the library's formatter, digit by digit.
    fn plainly(steps: i64, decimals: u8) -> String {
        let digits = format!("{:0width$}", steps.unsigned_abs(), width = usize::from(decimals) + 1);
        let (whole, fraction) = digits.split_at(digits.len() - usize::from(decimals));
        let fraction = fraction.trim_end_matches('0');
        let sign = if steps < 0 { "-" } else { "" };
        if fraction.is_empty() {
            format!("{sign}{whole}")
        } else {
            format!("{sign}{whole}.{fraction}")
        }
    }

    #[test]
    fn the_edges_of_numbers_and_years() {
        for number in [0, 1, 9, 10, 99, 100, u64::MAX] {
            assert_eq!(text(|out| whole(number, out)), number.to_string());
        }
        for steps in [0, 1, -1, 10, -10, 99, 100, -101, i64::MAX, i64::MIN] {
            for decimals in [0, 1, 2, 3, 9, 18, 19, 20, 25] {
                assert_eq!(
                    text(|out| decimal(steps, decimals, out)),
                    plainly(steps, decimals),
                    "{steps} {decimals}"
                );
            }
        }
        for time in [
            0,
            -1,
            999,
            1_000,
            951_782_400_000,     // 2000-02-29
            253_402_300_799_999, // the end of the year 9999
            253_402_300_800_000, // and what is behind it
            -62_167_219_200_000, // the begin of the year 0
            -62_167_219_200_001, // and what is before it
            i64::MAX / 4,
            i64::MIN / 4,
        ] {
            assert_eq!(text(|out| instant(Time(time), out)), Time(time).to_string(), "{time}");
        }
    }

    proptest! {
        #[test]
        fn the_same_as_the_formatters(
            number in any::<u64>(),
            steps in any::<i64>(),
            decimals in 0_u8..22,
            time in -63_000_000_000_000_i64..260_000_000_000_000,
        ) {
            prop_assert_eq!(text(|out| whole(number, out)), number.to_string());
            prop_assert_eq!(text(|out| decimal(steps, decimals, out)), plainly(steps, decimals));
            prop_assert_eq!(text(|out| instant(Time(time), out)), Time(time).to_string());
            let second = Time(time / 1_000 * 1_000);
            prop_assert_eq!(text(|out| instant(second, out)), second.to_string());
        }
    }
}
