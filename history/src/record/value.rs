//! Raw values. Most numbers that firmware sends are short decimals; they are kept as
//! a whole number and its decimals where that gives back exactly the same number,
//! else as the floating-point number itself.
//!
//! The first number's lowest three bits tell: 0 to 6, the decimals of the folded whole
//! number above them; 7, what the bits above say: 0 for eight bytes of a double, 1 for
//! four bytes of a single that stands for the same number, 2 and more for a text of
//! that many bytes less 2.

use super::bytes::{Garbage, Input, fold, put, unfold};
use observation::{Finite, Value};

const POWERS: [f64; 7] = [1.0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6];
/// Above this the double is as short.
const LARGEST: f64 = (1_u64 << 48) as f64;
/// Adding and taking away this rounds a double below 2^51 to a whole number.
const ROUND: f64 = 6_755_399_441_055_744.0;
const OTHER: u64 = 7;

pub(crate) fn put_value(out: &mut Vec<u8>, value: &Value) {
    match value {
        Value::Number(number) => put_number(out, number.get()),
        Value::Text(text) => {
            put(out, ((text.len() as u64 + 2) << 3) | OTHER);
            out.extend_from_slice(text.as_bytes());
        }
    }
}

#[allow(clippy::cast_possible_truncation)] // Each cast is tried by casting back.
fn put_number(out: &mut Vec<u8>, value: f64) {
    for (decimals, power) in (0_u64..).zip(POWERS) {
        let scaled = value * power;
        if scaled.abs() > LARGEST {
            break;
        }
        let whole = (scaled + ROUND) - ROUND;
        // The decimal must give back the very same number, for it is the raw value.
        if (whole / power).to_bits() == value.to_bits() {
            put(out, (fold(whole as i64) << 3) | decimals);
            return;
        }
    }
    let single = value as f32;
    if f64::from(single).to_bits() == value.to_bits() {
        put(out, (1 << 3) | OTHER);
        out.extend_from_slice(&single.to_le_bytes());
    } else {
        put(out, OTHER);
        out.extend_from_slice(&value.to_le_bytes());
    }
}

pub(crate) fn value(input: &mut Input<'_>) -> Result<Value, Garbage> {
    let head = input.number()?;
    let number = match (head & 7, head >> 3) {
        (OTHER, 0) => f64::from_le_bytes(input.array()?),
        (OTHER, 1) => f64::from(f32::from_le_bytes(input.array()?)),
        (OTHER, length) => {
            let bytes =
                input.take(usize::try_from(length - 2).map_err(|_| Garbage("text too long"))?)?;
            let text = str::from_utf8(bytes).map_err(|_| Garbage("text is not UTF-8"))?;
            return Ok(Value::Text(text.into()));
        }
        (decimals, folded) => {
            let power = usize::try_from(decimals)
                .ok()
                .and_then(|d| POWERS.get(d))
                .ok_or(Garbage("decimals out of range"))?;
            unfold(folded) as f64 / power
        }
    };
    Finite::new(number).map(Value::Number).ok_or(Garbage("not a finite number"))
}

/// Passes over a value that nobody asked for.
pub(crate) fn skip(input: &mut Input<'_>) -> Result<(), Garbage> {
    let head = input.number()?;
    let length = match (head & 7, head >> 3) {
        (OTHER, 0) => 8,
        (OTHER, 1) => 4,
        (OTHER, length) => usize::try_from(length - 2).map_err(|_| Garbage("text too long"))?,
        _ => 0,
    };
    input.take(length).map(|_| ())
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use proptest::prelude::*;

    fn there_and_back(kept: &Value) -> usize {
        let mut out = Vec::new();
        put_value(&mut out, kept);
        let mut input = Input::new(&out);
        assert_eq!(&value(&mut input).unwrap(), kept);
        assert!(input.done().is_ok());
        let mut input = Input::new(&out);
        skip(&mut input).unwrap();
        assert!(input.done().is_ok());
        out.len()
    }

    #[test]
    fn decimals_are_short_and_nothing_is_lost() {
        for (number, longest) in [
            (0.0, 1),
            (7.0, 1),
            (-0.5, 2),
            (17.3, 2),
            (21.53, 3),
            (1_013.25, 3),
            (4_294_967_295.0, 6),
            (f64::from(21.53_f32), 5),
            (1.0 / 3.0, 9),
            (f64::MAX, 9),
            (f64::MIN_POSITIVE, 9),
            (9_007_199_254_740_993.0, 9),
            (-1e-7, 9),
        ] {
            let length = there_and_back(&Value::Number(Finite::new(number).unwrap()));
            assert!(length <= longest, "{number}: {length} bytes");
        }
        assert_eq!(there_and_back(&Value::Text("NNE".into())), 4);
        assert_eq!(there_and_back(&Value::Text("".into())), 1);
    }

    #[test]
    fn what_is_not_finite_is_refused() {
        for bits in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY] {
            let mut bytes = vec![7];
            bytes.extend_from_slice(&bits.to_le_bytes());
            assert!(value(&mut Input::new(&bytes)).is_err());
        }
    }

    proptest! {
        #[test]
        fn any_number_and_text_comes_back(
            number in any::<f64>().prop_filter_map("finite", Finite::new), steps: i32, decimals in 0_usize..7, text: String,
        ) {
            there_and_back(&Value::Number(number));
            there_and_back(&Value::Number(Finite::new(f64::from(steps) / POWERS[decimals]).unwrap()));
            there_and_back(&Value::Text(text.into()));
        }

        #[test]
        fn garbage_never_panics(bytes: Vec<u8>) {
            let _ = value(&mut Input::new(&bytes));
            let _ = skip(&mut Input::new(&bytes));
        }
    }
}
