//! What every kind of forwarder owes, checked over the list of kinds.
#![allow(clippy::unwrap_used, clippy::expect_used, missing_docs)]

mod fixtures;

use adapters::forwarders::KINDS;
use adapters::forwarders::port::{
    Context, Forwarder, Newest, Origin, Outgoing, SeriesName, Verdict, Verdicts,
};
use config::AdapterTable;
use observation::{
    Flag, Property, Quantity, Reading, Reasons, Series, SeriesIndex, Span, Statistic, Time,
};
use std::sync::Arc;
use std::time::Duration;

/// 2026-03-01T06:00:00Z.
const START: Time = Time(1_772_344_800_000);

fn build(kind: &str, text: &str) -> Result<Box<dyn Forwarder>, Vec<config::Fault>> {
    let kind = KINDS.iter().find(|k| k.name == kind).expect("a kind");
    let table = AdapterTable::forwarder_from_text(kind.name, "example", text);
    (kind.build)(&table, &Arc::new(fixtures::property::alder_croft()))
}

fn origin() -> Origin {
    let name = |quantity: Quantity, statistic, period, number| SeriesName {
        series: Series {
            station: "orchard".to_owned(),
            instrument: "screen".to_owned(),
            quantity,
            statistic,
            over: None,
            period,
        },
        unit: quantity.unit().to_owned(),
        decimals: quantity.decimals(),
        number,
    };
    Origin {
        id: Arc::from("0a1b2c3d-0000-4000-8000-000000000001"),
        property: Arc::new(fixtures::property::alder_croft()),
        series: Arc::from([
            name(Quantity::AirTemperature, Statistic::Point, None, 4),
            name(Quantity::WindSpeed, Statistic::Mean, Some(Span::minutes(10)), 9),
        ]),
    }
}

fn outgoing(number: u64, place: Option<u32>, series: u32, value: Option<i64>) -> Outgoing {
    let time = START + Span::minutes(i64::try_from(number).unwrap());
    let reading = Reading {
        series: SeriesIndex(series),
        time,
        value,
        flag: Flag::Good,
        reasons: Reasons::NONE,
        revision: 0,
        made_by: 1,
    };
    Outgoing { number, place, reading }
}

fn three() -> [Outgoing; 3] {
    [
        outgoing(1, Some(0), 0, Some(1_730)),
        outgoing(1, Some(1), 1, None),
        outgoing(2, Some(0), 0, Some(-5)),
    ]
}

#[test]
fn every_example_is_accepted_and_every_unknown_key_is_refused_with_its_place() {
    let property = Arc::new(Property::default().indexed());
    let mut names: Vec<_> = KINDS.iter().map(|k| k.name).collect();
    names.sort_unstable();
    names.dedup();
    assert_eq!(names.len(), KINDS.len(), "two kinds of one name");
    for kind in KINDS {
        let table = AdapterTable::forwarder_from_text(kind.name, "example", kind.example);
        let built = (kind.build)(&table, &property);
        assert!(built.is_ok(), "{}: {:?}", kind.name, built.err());
        let text = format!("{}\nlisten_to_frogs = true\n", kind.example);
        let table = AdapterTable::forwarder_from_text(kind.name, "example", &text);
        let faults = (kind.build)(&table, &property).err().expect(kind.name);
        let fault = faults.iter().find(|f| f.message().contains("listen_to_frogs"));
        assert!(fault.is_some_and(|f| f.line_column().is_some()), "{}: {faults:?}", kind.name);
        for (key, wrong) in [
            ("flags", "[\"fine\"]"),
            ("stations", "[\"nowhere\"]"),
            ("quantities", "[\"warmth\"]"),
            ("batch", "0"),
            ("timeout", "\"1 h\""),
            ("catch_up_rate", "0"),
            ("backlog_age", "\"1 s\""),
            ("backlog_readings", "0"),
        ] {
            let text = format!("{}\n{key} = {wrong}\n", kind.example);
            let table = AdapterTable::forwarder_from_text(kind.name, "example", &text);
            assert!((kind.build)(&table, &property).is_err(), "{}: {key} = {wrong}", kind.name);
        }
    }
}

#[test]
fn of_every_key_that_is_missing_it_is_said_how_it_is_written() {
    for kind in KINDS {
        let faults = build(kind.name, "").err().unwrap_or_default();
        let missing: Vec<_> =
            faults.iter().filter(|f| f.message().contains("` is missing")).collect();
        assert_eq!(missing.len(), 1, "{}: {faults:?}", kind.name);
        assert!(
            missing[0].help().is_some_and(|h| h.starts_with("write it like ")),
            "{}",
            missing[0]
        );
    }
}

#[test]
fn pieces_hold_each_reading_once_and_in_order() {
    for kind in KINDS {
        let forwarder = build(kind.name, kind.example).unwrap_or_else(|f| panic!("{f:?}"));
        let readings = three();
        let pieces = forwarder.prepare(&origin(), &readings, &mut Newest::default());
        let held: Vec<usize> = pieces.iter().flat_map(|p| p.readings.clone()).collect();
        let mut once = held.clone();
        once.dedup();
        assert!(held == once && held.is_sorted(), "{}: {held:?}", kind.name);
        assert!(pieces.iter().all(|p| p.fault.is_none()), "{}", kind.name);
        assert!(held.contains(&0) && held.contains(&2), "{}: {held:?}", kind.name);
    }
}

#[tokio::test]
async fn a_receiver_that_is_not_there_is_another_time_and_named() {
    for kind in KINDS {
        // Nothing listens on the first ports of loopback; files need no receiver.
        let text = kind.example.replace("127.0.0.1:", "127.0.0.1:1 #");
        let text = match text.split_once('#') {
            Some((begin, rest)) => {
                let rest = rest.trim_start_matches(|c: char| c.is_ascii_digit());
                format!("{}{rest}", begin.trim_end())
            }
            None => continue,
        };
        let forwarder = build(kind.name, &text).unwrap_or_else(|f| panic!("{f:?}"));
        let context = Context { origin: origin(), suffix: Arc::from("abc") };
        let readings = three();
        let pieces = forwarder.prepare(&context.origin, &readings, &mut Newest::default());
        let mut link = forwarder.link(&context);
        let verdicts = Verdicts::default();
        tokio::time::timeout(Duration::from_secs(10), link.attempt(&pieces, &verdicts))
            .await
            .expect(kind.name);
        let verdicts = verdicts.take();
        let first = verdicts.first().expect("a verdict");
        let Verdict::Later { reason, .. } = first else { panic!("{}: {first:?}", kind.name) };
        assert!(reason.contains("127.0.0.1:1"), "{}: {reason}", kind.name);
    }
}

#[test]
fn lines_and_identities_are_those_of_the_contract() {
    let forwarder =
        build("http", "url = \"http://127.0.0.1:9000/in\"\n").unwrap_or_else(|f| panic!("{f:?}"));
    let mut readings = three();
    readings[2].place = None;
    let pieces = forwarder.prepare(&origin(), &readings, &mut Newest::default());
    assert_eq!(pieces.len(), 1);
    let body = String::from_utf8(pieces[0].body.to_vec()).unwrap();
    let expected = "{\"time\":\"2026-03-01T06:01:00Z\",\"station\":\"orchard\",\"instrument\":\"screen\",\
        \"quantity\":\"air_temperature\",\"statistic\":\"point\",\"over\":null,\"period\":null,\
        \"value\":17.3,\"unit\":\"Cel\",\"flag\":\"good\",\"reasons\":[],\"revision\":0,\
        \"id\":\"0a1b2c3d-0000-4000-8000-000000000001/1/0\"}";
    assert_eq!(body.lines().next(), Some(expected));
    let correction = "/2/4-1772344920000\"}";
    assert!(body.lines().nth(2).unwrap().ends_with(correction), "{body}");
}

#[test]
fn senml_is_what_the_standard_says() {
    // RFC 8428, 4.1 to 4.5 and 12.1: fields, names of A-Z a-z 0-9 - : . / _, units.
    let text = "url = \"http://127.0.0.1:9000/in\"\npayload = \"senml\"\n";
    let forwarder = build("http", text).unwrap_or_else(|f| panic!("{f:?}"));
    let pieces = forwarder.prepare(&origin(), &three(), &mut Newest::default());
    let pack: serde_json::Value = serde_json::from_slice(&pieces[0].body).unwrap();
    assert_eq!(
        pack,
        serde_json::json!([
            {"bn": "0a1b2c3d-0000-4000-8000-000000000001/", "n": "orchard/screen/air_temperature",
             "u": "Cel", "t": 1_772_344_860, "v": 17.3},
            {"n": "orchard/screen/air_temperature", "u": "Cel", "t": 1_772_344_920, "v": -0.05},
        ])
    );
    let one = [outgoing(1, Some(0), 1, Some(360))];
    let pieces = forwarder.prepare(&origin(), &one, &mut Newest::default());
    let pack: serde_json::Value = serde_json::from_slice(&pieces[0].body).unwrap();
    assert_eq!(pack[0]["n"], "orchard/screen/wind_speed/mean/PT10M");
    let nothing = [outgoing(1, Some(0), 1, None)];
    assert!(forwarder.prepare(&origin(), &nothing, &mut Newest::default()).is_empty());
}

#[test]
fn a_template_that_misses_a_name_or_never_ends_is_a_fault_of_the_reading() {
    for (body, why) in [
        ("{{ values.frog }}", "undefined"),
        (
            "{% for i in range(100000) %}{% for j in range(100000) %}x{% endfor %}{% endfor %}",
            "more than",
        ),
    ] {
        let text = format!("url = \"http://127.0.0.1:9000/in\"\nbody = \"{body}\"\n");
        let forwarder = build("http", &text).unwrap_or_else(|f| panic!("{f:?}"));
        let pieces = forwarder.prepare(&origin(), &three(), &mut Newest::default());
        let fault = pieces[0].fault.as_ref().expect("a fault");
        assert!(fault.contains(why), "{fault}");
    }
}

#[test]
fn what_a_template_asks_for_and_nobody_gives_is_told_before_anything_is_sent() {
    let built = |body: &str| {
        build("http", &format!("url = \"http://127.0.0.1:9000/in\"\nbody = \"{body}\"\n"))
    };
    for (body, why) in [
        ("{{ x", "not understood"),
        ("{{ readin.value }}", "did you mean `reading`?"),
        ("{{ reading.valu }}", "did you mean `value`?"),
        ("{{ property.elevation }}", "there are: id, name"),
        ("{{ secret }}", "`secret_file`"),
        ("{{ frog }}", "there are: reading, readings"),
    ] {
        let faults = built(body).err().unwrap_or_else(|| panic!("{body} was taken"));
        let said = faults[0].to_string();
        assert!(said.contains("body") || faults[0].line_column().is_some(), "{said}");
        assert!(said.contains(why), "{body}: {said}");
    }
    let fields = [
        "id",
        "time",
        "unix",
        "unix_ms",
        "station",
        "instrument",
        "quantity",
        "statistic",
        "over",
        "period",
        "value",
        "text",
        "unit",
        "flag",
        "reasons",
        "revision",
    ];
    let body: String = fields.map(|field| format!("{field}={{{{ reading.{field} }}}} ")).concat();
    let more = "{% for r in readings %}{{ r.id }}{% endfor %}{% for i in range(2) %}{{ i }}{% endfor %}{{ property.name }}";
    let forwarder = built(&format!("{body}{more}")).unwrap_or_else(|f| panic!("{f:?}"));
    let pieces = forwarder.prepare(&origin(), &three(), &mut Newest::default());
    let text = String::from_utf8(pieces[0].body.to_vec()).unwrap();
    assert!(text.contains("quantity=air_temperature ") && text.contains("01"), "{text}");
}
