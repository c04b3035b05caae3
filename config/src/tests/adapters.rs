//! An adapter's table is decoded by the adapter's own type, with every place kept.

use super::{Folder, PROPERTY};
use crate::{AdapterTable, Bytes, Fault, Lapse};
use serde::Deserialize;

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(dead_code)]
struct Options {
    broker: String,
    #[serde(default)]
    protocol: Protocol,
    #[serde(default)]
    subscribe: Vec<Subscription>,
    keep_alive: Option<Lapse>,
    largest: Option<Bytes>,
}

#[derive(Debug, Default, Deserialize)]
enum Protocol {
    #[default]
    #[serde(rename = "3.1.1")]
    Three,
    #[serde(rename = "5")]
    Five,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
#[allow(dead_code)]
struct Subscription {
    filter: String,
    payload: Payload,
}

#[derive(Debug, Deserialize)]
#[serde(rename_all = "snake_case")]
enum Payload {
    Number,
    Json,
    Columns(Vec<String>),
}

const EXAMPLE: &str =
    "broker = \"mqtt://127.0.0.1:1883\"\nsubscribe = [{ filter = \"a/+\", payload = \"json\" }]\n";

/// The table stands far down in the second file.
fn table(keys: &str) -> (Folder, AdapterTable) {
    let folder = Folder::new();
    let main = folder.write("isobarn.toml", PROPERTY);
    folder.write("conf.d/house.toml", &format!("# a comment\n\n[source.mqtt.house]\n{keys}\n"));
    let settings = crate::load(&main, &[]).unwrap();
    let table = settings.sources.into_iter().next().unwrap();
    (folder, table)
}

fn places(faults: &[Fault]) -> Vec<(usize, usize)> {
    faults.iter().map(|f| f.line_column().unwrap()).collect()
}

#[test]
fn a_sound_table_decodes() {
    let (_folder, table) = table(
        "broker = \"mqtt://127.0.0.1\"\nprotocol = \"5\"\nkeep_alive = \"PT30S\"\nlargest = \"64 KiB\"\nsubscribe = [{ filter = \"a/+\", payload = { columns = [\"t\"] } }]",
    );
    let options: Options = table.decode(EXAMPLE).unwrap();
    assert!(matches!(options.protocol, Protocol::Five));
    assert!(matches!(&options.subscribe[0].payload, Payload::Columns(c) if c == &["t"]));
    assert_eq!(options.keep_alive.unwrap().duration().as_secs(), 30);
    assert_eq!(options.largest, Some(Bytes(65_536)));
}

#[test]
fn every_fault_keeps_its_place_and_all_are_told_in_one_run() {
    let (_folder, table) = table(
        "broker = 5\nprotocol = \"4\"\nsubscribe = [\n    { filter = \"a\", payload = \"nmber\" },\n    { filtr = \"b\", payload = \"json\" },\n]\nkeep_alive = \"-3 s\"\nclientid = \"x\"",
    );
    let mut faults = table.decode::<Options>(EXAMPLE).unwrap_err();
    faults.sort_by_key(Fault::line_column);
    assert_eq!(
        places(&faults),
        [(4, 10), (5, 12), (7, 31), (8, 7), (10, 14), (11, 1)],
        "{faults:#?}"
    );
    assert!(faults[0].file().unwrap().ends_with("conf.d/house.toml"));
    assert_eq!(faults[2].help(), Some("did you mean `number`?"));
    assert_eq!(faults[3].message(), "unknown key `filtr`");
    assert_eq!(faults[3].help(), Some("did you mean `filter`?"));
    assert!(faults[4].message().contains("negative"));
    assert_eq!(faults[5].message(), "unknown key `clientid`");
}

#[test]
fn a_missing_key_is_told_at_the_table() {
    let (_folder, table) = table("protocol = \"5\"\nsubscribe = [{ filter = \"a\" }]");
    let faults = table.decode::<Options>(EXAMPLE).unwrap_err();
    assert_eq!(faults[0].line_column(), Some((5, 14)));
    assert!(faults[0].message().contains("`payload` is missing"), "{}", faults[0]);
    assert_eq!(faults[0].help(), Some("write it like payload = \"json\""));
    let table = AdapterTable::from_text("mqtt", "house", "protocol = \"5\"");
    let faults = table.decode::<Options>(EXAMPLE).unwrap_err();
    assert_eq!(places(&faults), [(1, 1)]);
    assert_eq!(faults[0].message(), "`broker` is missing in [source.mqtt.house]");
    assert_eq!(faults[0].help(), Some("write it like broker = \"mqtt://127.0.0.1:1883\""));
    // An example that does not show the key says nothing wrong.
    for example in ["", "protocol = \"5\"", "broker = "] {
        assert_eq!(table.decode::<Options>(example).unwrap_err()[0].help(), None);
    }
}

#[test]
fn what_only_the_adapter_can_judge_has_a_place_too() {
    let (folder, table) =
        table("broker = \"x\"\nsubscribe = [{ filter = \"a\", payload = \"json\" }]");
    for (path, place) in [
        (&["broker"][..], (4, 10)),
        (&["subscribe", "0", "payload"], (5, 40)),
        (&["subscribe", "7", "payload"], (5, 13)),
        (&["nothing"], (3, 1)),
        (&[], (3, 1)),
    ] {
        let fault = table.fault_at(path, "odd", Some("write it otherwise"));
        assert_eq!(fault.line_column(), Some(place), "{path:?}");
    }
    assert_eq!(table.resolve_path("ca.pem"), folder.0.path().join("ca.pem"));
    assert_eq!(table.resolve_path("/etc/ca.pem"), std::path::Path::new("/etc/ca.pem"));
    assert_eq!(table.header(), "source.mqtt.house");
}

#[test]
fn a_table_from_text_is_a_whole_document_or_bare_keys() {
    for text in ["broker = \"x\"", "[source.mqtt.house]\nbroker = \"x\""] {
        let table = AdapterTable::from_text("mqtt", "house", text);
        assert_eq!(table.decode::<Options>(EXAMPLE).unwrap().broker, "x");
    }
    assert!(
        AdapterTable::from_text("mqtt", "house", "broker = ").decode::<Options>(EXAMPLE).is_err()
    );
    assert!(
        AdapterTable::from_text("mqtt", "house", "[source.mqtt.house]\n")
            .decode::<Options>(EXAMPLE)
            .is_err()
    );
}

#[test]
fn a_secret_is_the_first_line_that_is_no_comment_and_is_never_shown() {
    let folder = Folder::new();
    let path = folder.write("a.token", "# example\n\n  opensesame-0123456789  \nmore\n");
    let secret = crate::read_secret(&path).unwrap();
    assert_eq!(secret.reveal(), "opensesame-0123456789");
    assert_eq!(format!("{secret:?}"), "Secret");
    for bad in ["", "# only\n# comments\n", "a\u{7}b\n"] {
        assert!(crate::read_secret(&folder.write("b.token", bad)).is_err(), "{bad:?}");
    }
    assert!(crate::read_secret(&folder.write("c.token", &"x".repeat(2_000))).is_err());
    assert!(crate::read_secret(folder.0.path()).is_err());
}
