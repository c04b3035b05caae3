//! What the decoders take, what they refuse and with which word, and that nothing makes
//! them fail.
#![allow(clippy::unwrap_used, clippy::expect_used)]

#[path = "../croft/mod.rs"]
mod croft;

mod anything;
mod lines;
mod mapped;
mod senml_cbor;
mod senml_names;
mod senml_standard;
mod times;

use adapters::payload::{Decoded, Reader, Refused};
use observation::{Refusal, Value};

pub(crate) fn reader() -> Reader {
    Reader::new(&croft::property())
}

/// Channel names with numbers or words, in order.
pub(crate) fn values(decoded: &Decoded) -> Vec<String> {
    let property = croft::property();
    decoded
        .samples
        .iter()
        .map(|s| {
            let name = &property.channels[s.channel.0 as usize].name;
            match &s.value {
                Value::Number(n) => format!("{name}={}", n.get()),
                Value::Text(word) => format!("{name}={word}"),
            }
        })
        .collect()
}

pub(crate) fn reason(result: Result<Decoded, Refused>) -> Refusal {
    match result {
        Ok(decoded) => panic!("taken: {decoded:?}"),
        Err(refused) => {
            assert!(!refused.detail.is_empty() && refused.detail.len() <= 500, "{refused}");
            assert!(!refused.detail.chars().any(char::is_control), "{refused}");
            refused.reason
        }
    }
}
