//! SenML packs in CBOR as an independent encoder writes them (cbor2; the table is made by
//! `senml_cbor.py`) mean what the same packs mean in JSON.

use adapters::payload::senml::{Notation, each};
use serde_json::Value;

const TABLE: &str = include_str!("senml_cbor.tsv");

/// Every resolved record of a pack, spelled out.
fn resolved(notation: Notation, bytes: &[u8]) -> Vec<String> {
    let mut records = Vec::new();
    each(notation, bytes, |record| {
        records.push(format!("{record:?}"));
        Ok(())
    })
    .unwrap_or_else(|refused| panic!("{notation:?}: {refused}"));
    records
}

#[test]
fn packs_of_an_independent_encoder_mean_what_they_mean_in_json() {
    let mut packs = 0;
    for line in TABLE.lines().filter(|line| !line.starts_with('#')) {
        let [form, json, hex] = line.split('\t').collect::<Vec<_>>()[..] else {
            panic!("three columns: {line}");
        };
        let cbor: Vec<u8> = (0..hex.len())
            .step_by(2)
            .map(|i| u8::from_str_radix(&hex[i..i + 2], 16).unwrap())
            .collect();
        assert_eq!(Notation::of(&cbor), Notation::Cbor, "{form}: {json}");
        let records = resolved(Notation::Cbor, &cbor);
        assert_eq!(records, resolved(Notation::Json, json.as_bytes()), "{form}: {json}");
        let written: Vec<Value> = serde_json::from_str(json).unwrap();
        let with_value =
            written.iter().filter(|r| ["v", "vs", "vb"].iter().any(|l| r.get(l).is_some()));
        assert_eq!(records.len(), with_value.count(), "{json}");
        packs += 1;
    }
    assert_eq!(packs, 30, "packs are missing from the table");
}
