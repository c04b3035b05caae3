// What the stored files of old versions hold. Never change it: a new version gets a
// file of its own, and the old ones must still read as this.

use history::{
    Aside, Batch, ClockStep, Cursor, DeadLetter, Entry, Epoch, History, NewToken, Note,
    Observation, Revised, SetAside, StatePart,
};
use observation::property::{Channel, Station};
use observation::sample::Redelivery;
use observation::{
    ChannelIndex, Finite, Flag, Measured, Message, Property, Quantity, Reading, Reason, Reasons,
    Refusal, Series, SeriesIndex, SourceIndex, Span, Stated, StationIndex, Statistic, Time, Unit,
    Value,
};

/// 2026-03-01T06:00:00Z.
pub(crate) const START: Time = Time(1_772_344_800_000);

pub(crate) fn property() -> Property {
    let mut property = Property::default();
    property.name = "Alder Croft".into();
    for (index, id) in (0..).zip(["orchard", "ridge"]) {
        property.stations.push(Station {
            id: id.into(),
            name: id.into(),
            latitude: 54.07,
            longitude: -2.28,
            elevation: 212.0,
            interval: Span::minutes(1),
            sleeps: false,
            oldest: Span::days(-31),
            newest: Span::minutes(1),
            time_zone: None,
            time_in_milliseconds: false,
            rate: 100.0,
            derive: observation::property::Deriving::default(),
        });
        for (name, unit) in [("t", "Cel"), ("vane", "1")] {
            property.channels.push(Channel {
                station: StationIndex(index),
                name: name.into(),
                unit: Unit::parse(unit).unwrap(),
                senml_name: None,
                accepts_text: name == "vane",
            });
        }
    }
    property.indexed()
}

pub(crate) fn series() -> Vec<Series> {
    vec![
        Series {
            station: "orchard".into(),
            instrument: "screen_temperature".into(),
            quantity: Quantity::AirTemperature,
            statistic: Statistic::Point,
            over: None,
            period: None,
        },
        Series {
            station: "ridge".into(),
            instrument: "cup".into(),
            quantity: Quantity::WindSpeedOfGust,
            statistic: Statistic::Maximum,
            over: Some(Span::seconds(3)),
            period: Some(Span::minutes(10)),
        },
    ]
}

pub(crate) fn sources() -> Vec<String> {
    vec!["push".into(), "house".into()]
}

fn measured(channel: u32, value: Value, stated: Stated) -> Measured {
    Measured { channel: ChannelIndex(channel), value, stated }
}

fn number(value: f64) -> Value {
    Value::Number(Finite::new(value).unwrap())
}

pub(crate) fn messages() -> Vec<Message> {
    let plain = Message {
        station: StationIndex(0),
        source: SourceIndex(0),
        boot: None,
        sequence: None,
        received: START + Span(250),
        early: false,
        redelivery: None,
        samples: vec![measured(0, number(17.3), Stated::At(START - Span::days(2)))],
    };
    let rich = Message {
        station: StationIndex(1),
        source: SourceIndex(1),
        boot: Some("a1b2".into()),
        sequence: Some(4_294_967_296),
        received: START + Span(900),
        early: true,
        redelivery: Some(Redelivery {
            client: "ridge-1".into(),
            connection: 77,
            topic: "garden/ridge".into(),
            packet: 9,
            again: true,
        }),
        samples: vec![
            measured(2, number(-0.1), Stated::Relative(-1_500)),
            measured(3, Value::Text("NNE".into()), Stated::Nothing),
            measured(2, number(1.0 / 3.0), Stated::At(START)),
        ],
    };
    vec![plain, rich]
}

pub(crate) fn readings() -> Vec<Reading> {
    vec![
        Reading {
            series: SeriesIndex(0),
            time: START - Span::days(2),
            value: Some(1_730),
            flag: Flag::Good,
            reasons: Reasons::NONE,
            revision: 0,
            made_by: 1,
        },
        Reading {
            series: SeriesIndex(1),
            time: START,
            value: None,
            flag: Flag::Missing,
            reasons: Reasons::NONE.with(Reason::Clock).with(Reason::Incomplete),
            revision: 3,
            made_by: 0,
        },
    ]
}

pub(crate) fn set_aside() -> SetAside {
    let mut message = messages().remove(0);
    message.samples[0].stated = Stated::Unplaceable;
    SetAside { message, reason: Refusal::Time }
}

pub(crate) fn state() -> StatePart {
    StatePart {
        name: "orchard/cup".into(),
        version: 1,
        fingerprint: 0xfeed_beef_feed_beef,
        body: vec![1, 2, 3],
    }
}

pub(crate) fn rare() -> Vec<Entry> {
    vec![
        Entry::Epoch(Epoch {
            fingerprint: 42,
            text: "[property]\nname = \"Alder Croft\"\n".into(),
        }),
        Entry::Note(Note {
            station: Some("orchard".into()),
            instrument: Some("gauge".into()),
            kind: "cleaned".into(),
            from: START,
            to: None,
            text: "leaves in the funnel".into(),
        }),
        Entry::Observation(Observation {
            station: "ridge".into(),
            time: START,
            quantity: Quantity::SurfaceSnowThickness,
            value: Finite::new(0.04).unwrap(),
            unit: "m".into(),
        }),
        Entry::ClockStep(ClockStep { old: START + Span::hours(1), new: START }),
        Entry::Revised(Revised {
            series: SeriesIndex(1),
            from: START,
            to: START + Span::days(1),
            revision: 4,
        }),
    ]
}

pub(crate) fn cursor() -> Cursor {
    Cursor { delivered: 2, given_up: 5, gaps: vec![(1, 2)] }
}

pub(crate) fn dead_letter() -> DeadLetter {
    DeadLetter {
        forwarder: "archive".into(),
        number: 2,
        place: 1,
        time: START,
        status: 422,
        answer: "no such series".into(),
    }
}

pub(crate) fn token() -> NewToken {
    NewToken { gateway: true, owner: "attic".into(), hash: [0xa5; 32], created: START }
}

pub(crate) fn aside_of(history: &History) -> Vec<Aside> {
    history.look().set_aside(None, 0, 10).unwrap()
}

pub(crate) fn write(history: &mut History) {
    history.register(START, &property(), &series(), &sources()).unwrap();
    let received = START + Span(1_000);
    history
        .commit(&Batch {
            received,
            walked: START,
            messages: &messages(),
            readings: &readings(),
            set_aside: &[set_aside()],
        })
        .unwrap();
    history.save_state(&[state()]).unwrap();
    for entry in rare() {
        history.append(received, START, &entry).unwrap();
    }
    history.set_cursor("archive", &cursor()).unwrap();
    history.add_dead_letters(&[dead_letter()]).unwrap();
    history.add_token(&token()).unwrap();
    history.source_suffix("house").unwrap();
}
