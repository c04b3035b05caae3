//! One fault at a time, each at its place; and several in one run.

use super::{Folder, PROPERTY, load_text, load_with, told};

/// A station with one instrument that is right.
const STATION: &str = "[[station]]\nid = \"orchard\"\n";

fn instrument(keys: &str) -> String {
    format!("{PROPERTY}{STATION}[[station.instrument]]\nid = \"x\"\nchannel = \"x\"\n{keys}")
}

fn one(text: &str) -> (usize, usize, String) {
    let mut faults = told(load_text(text));
    assert_eq!(faults.len(), 1, "{text}\n{faults:#?}");
    faults.remove(0)
}

#[test]
fn a_wrong_unit_an_unknown_key_and_a_missing_token_file_are_three_faults() {
    let text = r#"[property]
name = "Alder Croft"
latitude = 54.07
longitude = -2.28
elevation = "212 m"
time_zone = "Europe/London"

[http]
lisen = "127.0.0.1:8673"

[[station]]
id = "orchard"
token_file = "orchard.token"

[[station.instrument]]
id = "screen_temperature"
channel = "t"
quantity = "air_temperature"
unit = "hPa"
"#;
    let faults = load_text(text).unwrap_err();
    let places: Vec<_> = faults.iter().map(|f| f.line_column().unwrap()).collect();
    assert_eq!(places, [(9, 1), (13, 14), (19, 8)]);
    let messages: Vec<_> = faults.iter().map(crate::Fault::message).collect();
    assert_eq!(messages[0], "unknown key `lisen` in [http]");
    assert!(messages[1].contains("orchard.token"), "{}", messages[1]);
    assert_eq!(messages[2], "the unit `hPa` does not measure air_temperature");
    let helps: Vec<_> = faults.iter().map(|f| f.help().unwrap()).collect();
    assert_eq!(helps[0], "did you mean `listen`?");
    assert_eq!(helps[2], "write unit = \"Cel\"");
    let shown = faults.render(false);
    assert!(shown.contains("isobarn.toml:9:1: unknown key"), "{shown}");
    assert!(shown.contains("lisen = \"127.0.0.1:8673\""), "{shown}");
    assert!(shown.contains("^^^^^"), "{shown}");
    assert!(shown.contains("\n  help: did you mean `listen`?\n"), "{shown}");
    assert!(!shown.contains('\u{1b}'));
    assert!(faults.render(true).contains('\u{1b}'));
}

#[test]
fn what_is_not_toml_is_that_one_fault() {
    let (line, column, message) = one("[property]\nname = \n[http]\nfrog = 1\n");
    assert_eq!((line, column), (2, 8));
    assert!(message.starts_with("this is not TOML: "), "{message}");
}

#[test]
fn what_is_no_text_is_told_with_its_place() {
    let folder = Folder::new();
    let path = folder.write("isobarn.toml", "");
    std::fs::write(&path, b"# fine\nname = \"\xff\"\n").unwrap();
    let faults = told(crate::load(&path, &[]));
    assert_eq!(faults, [(2, 9, "this is not UTF-8 text".to_owned())]);
}

#[test]
fn a_file_that_is_not_there_is_told_by_its_name() {
    let folder = Folder::new();
    let path = folder.0.path().join("nowhere.toml");
    let faults = crate::load(&path, &[]).unwrap_err();
    assert_eq!(faults.len(), 1);
    assert!(faults.to_string().contains("nowhere.toml: cannot be read"), "{faults}");
}

#[test]
fn tables_above_the_stations_check_every_key() {
    for (text, place, message) in [
        ("http = { listen = \"localhost\" }", (1, 19), "no address with a port"),
        ("http = { listen = 8673 }", (1, 19), "is a text, not a whole number"),
        ("http = { doubtful = \"yes\" }", (1, 21), "true or false"),
        ("history = { commit_interval = \"61 s\" }", (1, 31), "from 0 s to 1 min"),
        ("history = { commit_interval = \"-1 s\" }", (1, 31), "from 0 s to 1 min"),
        ("history = { commit_interval = 5 }", (1, 31), "needs a unit of time"),
        ("history = { commit_interval = \"1 fortnight\" }", (1, 31), "not a span of time"),
        ("history = { point_step = \"7 min\" }", (1, 26), "divides an hour"),
        ("history = { keep_samples = \"4 GiB\" }", (1, 28), "a whole number of MB or GB"),
        ("history = { keep_samples = \"2 MB\" }", (1, 28), "at least 16 MB"),
        ("history = { keep_samples_for = \"1 d\" }", (1, 32), "from 33 d to"),
        ("history = { directory = \"\" }", (1, 25), "is a path"),
        ("history = { comit_interval = \"1 s\" }", (1, 13), "unknown key `comit_interval`"),
        ("processor = { grace = \"2 min\" }", (1, 23), "from 0 s to 1 min"),
        ("processor = { event_gap = \"5 min\" }", (1, 27), "from 10 min to 7 d"),
        ("control = { sockett = \"x\" }", (1, 13), "unknown key `sockett`"),
        ("control = 5", (1, 11), "`control` is a table"),
        ("frog = 1", (1, 1), "unknown key `frog`"),
        ("source = { http = { listen = \"127.0.0.1:0\" } }", (1, 21), "where a name belongs"),
        ("source = { http = 5 }", (1, 12), "no kind with a name"),
        ("source = { http = { http = {} } }", (1, 21), "the page's own"),
        ("source = { http = { \"a b\" = {} } }", (1, 21), "letters, digits"),
        (
            "source = { http = { yard = {} }, mqtt = { yard = {} } }",
            (1, 43),
            "another source named `yard`",
        ),
        ("forward = { a = { x = {} }, b = { x = {} } }", (1, 35), "another forward named `x`"),
        (
            "gateway = [{ id = \"base\", stations = [\"nowhere\"] }]",
            (1, 39),
            "no station `nowhere`",
        ),
        ("gateway = [{ id = \"base\", stations = [] }]", (1, 38), "at least one station"),
        ("gateway = [{ id = \"base\" }]", (1, 12), "`stations` is missing"),
        ("gateway = [{ id = \"base\", stations = \"a\" }]", (1, 38), "is a list, not a text"),
        ("station = { id = \"orchard\" }", (1, 11), "is a list of tables"),
        (
            "station = [{ id = \"orchard\" }, { id = \"orchard\" }]",
            (1, 39),
            "another station `orchard`",
        ),
        ("station = [{ id = \"west field\" }]", (1, 19), "1 to 64 letters"),
        ("station = [{ name = \"Orchard\" }]", (1, 12), "`id` is missing"),
        ("station = [{ id = \"a\", latitude = 91 }]", (1, 35), "from -90 to 90"),
        ("station = [{ id = \"a\", longitude = \"10 m\" }]", (1, 36), "does not measure"),
        ("station = [{ id = \"a\", elevation = 212 }]", (1, 36), "needs a unit"),
        ("station = [{ id = \"a\", elevation = \"212 km\" }]", (1, 36), "from -500 to 9000 m"),
        ("station = [{ id = \"a\", interval = \"0 s\" }]", (1, 35), "from 10 ms to 7 d"),
        ("station = [{ id = \"a\", time_window = \"31 d..60 s\" }]", (1, 38), "`time_window`"),
        ("station = [{ id = \"a\", time_window = \"-31 d\" }]", (1, 38), "`time_window`"),
        ("station = [{ id = \"a\", time_unit = \"us\" }]", (1, 36), "cannot be `us`"),
        (
            "station = [{ id = \"a\", time_zone = \"Europe/Alder\" }]",
            (1, 36),
            "not known to this system",
        ),
        ("station = [{ id = \"a\", rate = \"100 s\" }]", (1, 31), "does not measure"),
        ("station = [{ id = \"a\", sleeps = 1 }]", (1, 33), "true or false"),
        ("station = [{ id = \"a\", inteval = \"1 s\" }]", (1, 24), "unknown key `inteval`"),
        ("station = [{ id = \"a\", text_channels = [\"boot\"] }]", (1, 41), "reserved"),
        ("sensor = [{ serial = \"A7\" }]", (1, 11), "`placed` is missing"),
    ] {
        // The line stands alone on line 1; the property follows.
        let (line, column, told) = one(&format!("{text}\n{PROPERTY}"));
        assert_eq!((line, column), place, "{text}: {told}");
        assert!(told.contains(message), "{text}: {told}");
    }
}

#[test]
fn the_property_itself_is_checked() {
    for (text, place, message) in [
        ("", (1, 1), "`property` is missing"),
        (
            "[property]\nlatitude = 1\nlongitude = 1\nelevation = \"1 m\"",
            (1, 1),
            "`name` is missing",
        ),
        (
            "[property]\nname = \"x\"\nlongitude = 1\nelevation = \"1 m\"",
            (1, 1),
            "`latitude` is missing",
        ),
        (
            "[property]\nname = \"x\"\nlatitude = nan\nlongitude = 1\nelevation = \"1 m\"",
            (3, 12),
            "finite",
        ),
        (
            "[property]\nname = \"x\"\nlatitude = 1\nlongitude = 181\nelevation = \"1 m\"",
            (4, 13),
            "from -180 to 180",
        ),
        (
            "[property]\nname = \"x\"\nlatitude = 1\nlongitude = 1\nelevation = \"1 Cel\"",
            (5, 13),
            "does not measure",
        ),
        (
            "[property]\nname = \"x\"\nlatitude = 1\nlongitude = 1\nelevation = \"1 m\"\nrain_day_starts = \"9:00\"",
            (6, 19),
            "a time of day",
        ),
        (
            "[property]\nname = \"x\"\nlatitude = 1\nlongitude = 1\nelevation = \"1 m\"\nrain_day_starts = \"24:00Z\"",
            (6, 19),
            "a time of day",
        ),
        (
            "[property]\nname = \"x\"\nlatitude = 1\nlongitude = 1\nelevation = \"1 m\"\nrain_day_starts = 09:00:00",
            (6, 19),
            "a time of day",
        ),
        (
            "[property]\nname = \"x\"\nlatitude = 1\nlongitude = 1\nelevation = \"1 m\"\ntime_zone = \"Mars/Olympus\"",
            (6, 13),
            "not known to this system",
        ),
    ] {
        let (line, column, told) = one(text);
        assert_eq!((line, column), place, "{text}: {told}");
        assert!(told.contains(message), "{text}: {told}");
    }
}

#[test]
#[allow(clippy::too_many_lines)]
fn instruments_are_checked_key_by_key() {
    for (keys, place, message) in [
        ("unit = \"Cel\"", (4, 1), "`quantity` is missing"),
        ("quantity = \"air_temprature\"\nunit = \"Cel\"", (7, 12), "not a quantity"),
        ("quantity = \"air_temperature\"", (4, 1), "`unit` is missing"),
        ("quantity = \"air_temperature\"\nunit = \"degC\"", (8, 8), "did you mean `Cel`?"),
        ("quantity = \"air_temperature\"\nunit = 5", (8, 8), "is a text"),
        ("quantity = \"wind_speed\"\nunit = \"m\"", (8, 8), "does not measure wind_speed"),
        ("quantity = \"air_temperature\"\nunit = \"Cel\"\nheight = 1.5", (9, 10), "needs a unit"),
        (
            "quantity = \"air_temperature\"\nunit = \"Cel\"\nheight = \"212 m\"",
            (9, 10),
            "above the ground",
        ),
        (
            "quantity = \"air_temperature\"\nunit = \"Cel\"\nplausible = \"-30 Cel\"",
            (9, 13),
            "is a range",
        ),
        (
            "quantity = \"air_temperature\"\nunit = \"Cel\"\nplausible = \"45..-30 Cel\"",
            (9, 13),
            "lower end",
        ),
        (
            "quantity = \"air_temperature\"\nunit = \"Cel\"\nplausible = \"-30..45 hPa\"",
            (9, 13),
            "does not measure",
        ),
        (
            "quantity = \"air_temperature\"\nunit = \"Cel\"\nplausible = \"-30..45\"",
            (9, 13),
            "has no unit",
        ),
        (
            "quantity = \"air_temperature\"\nunit = \"Cel\"\nstatistic = \"average\"",
            (9, 13),
            "cannot be `average`",
        ),
        (
            "quantity = \"air_temperature\"\nunit = \"Cel\"\nstatistic = \"mean\"",
            (4, 1),
            "`over` is missing",
        ),
        (
            "quantity = \"air_temperature\"\nunit = \"Cel\"\nstamp = \"middle\"",
            (9, 9),
            "cannot be `middle`",
        ),
        (
            "quantity = \"air_temperature\"\nunit = \"Cel\"\nreports = \"often\"",
            (9, 11),
            "cannot be `often`",
        ),
        (
            "quantity = \"air_temperature\"\nunit = \"Cel\"\nmounting = \"12 deg\"",
            (9, 12),
            "only a vane",
        ),
        (
            "quantity = \"air_temperature\"\nunit = \"Cel\"\ndead_time = \"2 min\"",
            (9, 13),
            "from 0 s to 1 min",
        ),
        ("quantity = \"wind_speed_of_gust\"\nunit = \"m/s\"", (4, 1), "`over` is missing"),
        (
            "quantity = \"air_temperature\"\nunit = \"Cel\"\nsignal = \"pulse_count\"",
            (9, 10),
            "pulses are a cup's",
        ),
        (
            "quantity = \"air_temperature\"\nunit = \"Cel\"\nsignal = \"frog\"",
            (9, 10),
            "`frog` is no signal",
        ),
        ("quantity = \"wind_speed\"\nsignal = \"pulse_total\"", (8, 10), "needs a table"),
        (
            "quantity = \"wind_speed\"\nsignal = { pulse_total = { bits = 4 } }",
            (8, 35),
            "from 8 to 64",
        ),
        ("quantity = \"wind_speed\"\nsignal = { pulse_total = {} }", (8, 26), "`bits` is missing"),
        (
            "quantity = \"wind_speed\"\nsignal = { pulse_totl = { bits = 32 } }",
            (8, 12),
            "`pulse_totl` is no signal",
        ),
        (
            "quantity = \"wind_speed\"\nsignal = { frequency = { bits = 32 } }\ncalibration = [{ slope = \"0.66 m/s/Hz\" }]",
            (8, 26),
            "unknown key `bits`",
        ),
        ("quantity = \"wind_speed\"\nsignal = {}", (8, 10), "one word or a table"),
        ("quantity = \"wind_speed\"\nsignal = \"frequency\"", (4, 1), "`calibration` is missing"),
        (
            "quantity = \"wind_speed\"\nsignal = \"frequency\"\nunit = \"m/s\"",
            (9, 8),
            "does not measure a frequency",
        ),
        (
            "quantity = \"rainfall_depth\"\nsignal = \"change_count\"",
            (4, 1),
            "`calibration` is missing",
        ),
        ("quantity = \"rainfall_depth\"\nsignal = \"pulse_count\"", (8, 10), "pulses are a cup's"),
        (
            "quantity = \"wind_from_direction\"\nsignal = { switches = { order = \"NEWW\" } }",
            (8, 33),
            "each of N, E, S, W once",
        ),
        (
            "quantity = \"wind_from_direction\"\nsignal = { switches = { order = \"NESW\", closed_is = 2 } }",
            (8, 53),
            "from 0 to 1",
        ),
        (
            "quantity = \"wind_from_direction\"\nsignal = { switches = { order = \"NESW\", arc = 135 } }",
            (8, 47),
            "needs a unit",
        ),
        (
            "quantity = \"wind_from_direction\"\nsignal = { switches = { order = \"NESW\", arcs = [\"135 deg\"] } }",
            (8, 48),
            "four entries",
        ),
        (
            "quantity = \"wind_from_direction\"\nsignal = { switches = { order = \"NESW\", arc = \"135 deg\", arcs = [] } }",
            (8, 47),
            "say the same",
        ),
        (
            "quantity = \"wind_from_direction\"\nsignal = { ratio = {} }",
            (8, 20),
            "`bands` is missing",
        ),
        (
            "quantity = \"wind_from_direction\"\nsignal = { ratio = { full_scale = \"360 m\" } }",
            (8, 35),
            "does not measure",
        ),
        (
            "quantity = \"wind_from_direction\"\nsignal = { ratio = { bands = [{ low = 0.2, high = 0.1, value = \"9 deg\" }] } }",
            (8, 31),
            "from `low` up to `high`",
        ),
        (
            "quantity = \"wind_from_direction\"\nsignal = { ratio = { bands = [{ low = 0.1, high = 0.2, value = \"9 deg\" }, { low = 0.2, high = 0.3, value = \"9 deg\" }] } }",
            (8, 75),
            "overlaps",
        ),
        (
            "quantity = \"wind_from_direction\"\nsignal = { ratio = { supply = \"x\", full_scale = \"360 deg\" } }",
            (8, 31),
            "no supply of itself",
        ),
        (
            "quantity = \"air_temperature\"\nunit = \"Cel\"\nsenml_nam = \"x\"",
            (9, 1),
            "unknown key `senml_nam`",
        ),
    ] {
        let (line, column, told) = one(&instrument(keys));
        assert_eq!((line, column), place, "{keys}: {told}");
        assert!(told.contains(message), "{keys}: {told}");
    }
}

#[test]
fn calibrations_are_checked_key_by_key() {
    const CUP: &str = "quantity = \"wind_speed\"\nsignal = \"frequency\"\n";
    const GAUGE: &str = "quantity = \"rainfall_depth\"\nsignal = \"change_count\"\n";
    const SCREEN: &str = "quantity = \"air_temperature\"\nunit = \"Cel\"\n";
    for (before, keys, column, message) in [
        (CUP, "[{ slope = \"0.66 m/s\" }]", 26, "does not measure"),
        (CUP, "[{ slope = \"0 m/s/Hz\" }]", 26, "from 0.001 to 100"),
        (CUP, "[{ offset = \"0.3 m/s\" }]", 16, "`slope` is missing"),
        (CUP, "[{ slope = \"0.66 m/s/Hz\", threshold = \"-1 m/s\" }]", 53, "from 0 to 10"),
        (CUP, "[{ slope = \"0.66 m/s/Hz\", depth = \"1 mm\" }]", 41, "unknown key `depth`"),
        (CUP, "[{ slope = \"0.66 m/s/Hz\", from = \"2026-02-30\" }]", 48, "is no date"),
        (
            CUP,
            "[{ slope = \"0.66 m/s/Hz\", from = 2026-03-01T09:00:00 }]",
            48,
            "no offset from UTC",
        ),
        (CUP, "[{ slope = \"0.66 m/s/Hz\", from = 5 }]", 48, "is a date"),
        (
            CUP,
            "[{ slope = \"0.66 m/s/Hz\" }, { slope = \"0.7 m/s/Hz\" }]",
            43,
            "begin at the same time",
        ),
        (CUP, "{ slope = \"0.66 m/s/Hz\" }", 15, "list of tables"),
        (CUP, "[5]", 16, "is a table"),
        (GAUGE, "[{ volume = \"5 mL\" }]", 16, "`collector_diameter` is missing"),
        (GAUGE, "[{ collector_diameter = \"160 mm\" }]", 16, "`volume` is missing"),
        (GAUGE, "[{ depth = \"0.25 mL\" }]", 26, "does not measure"),
        (GAUGE, "[{ depth = \"0.25 mm\", volume = \"5 mL\" }]", 46, "excludes"),
        (GAUGE, "[{ volume = \"5 L\", collector_diameter = \"1 cm\" }]", 27, "hardly meant"),
        (SCREEN, "[{ from = \"2026-03-01\" }]", 16, "`offset` is missing"),
        (SCREEN, "[{ offset = \"0.2 hPa\" }]", 27, "does not measure"),
        (SCREEN, "[{ factor = 0 }]", 27, "above 0"),
        (SCREEN, "[{ factor = \"1.02\" }]", 27, "is a number"),
        (SCREEN, "[{ table = [[\"0 Cel\", \"0.1 Cel\"]] }]", 26, "2 to 256 pairs"),
        (
            SCREEN,
            "[{ table = [[\"9 Cel\", \"9 Cel\"], [\"0 Cel\", \"0 Cel\"]] }]",
            47,
            "read values of a table rise",
        ),
        (
            SCREEN,
            "[{ table = [[\"9 Cel\", \"9 Cel\"], [\"10 Cel\"]] }]",
            47,
            "a read and a true value",
        ),
        (
            SCREEN,
            "[{ table = [[\"9 Cel\", \"9 Cel\"], [\"20 Cel\", \"2 Pa\"]], offset = \"1 K\" }]",
            26,
            "excludes",
        ),
    ] {
        let (line, got, told) = one(&instrument(&format!("{before}calibration = {keys}")));
        assert_eq!((line, got), (9, column), "{keys}: {told}");
        assert!(told.contains(message), "{keys}: {told}");
    }
}

#[test]
fn instruments_of_one_station_agree_and_are_told_apart() {
    const T: &str = "id = \"a\"\nchannel = \"t\"\nquantity = \"air_temperature\"\nunit = \"Cel\"";
    let two = |a: &str, b: &str| {
        format!("{PROPERTY}{STATION}[[station.instrument]]\n{a}\n[[station.instrument]]\n{b}\n")
    };
    for (b, place, message) in [
        (T.to_owned(), (10, 6), "another instrument `a`"),
        (T.replace("\"a\"", "\"b\"").replace("Cel", "[degF]"), (11, 11), "is in `Cel` for another"),
        (T.replace("\"a\"", "\"dew_point_temperature\""), (10, 6), "derived quantity"),
        (T.replace("\"t\"", "\"time\"").replace("\"a\"", "\"b\""), (11, 11), "reserved"),
        (T.replace("\"t\"", "\"a b\"").replace("\"a\"", "\"b\""), (11, 11), "1 to 64 letters"),
    ] {
        let (line, column, told) = one(&two(T, &b));
        assert_eq!((line, column), place, "{b}: {told}");
        assert!(told.contains(message), "{b}: {told}");
    }
    let shared = two(T, &T.replace("\"a\"", "\"b\""));
    assert_eq!(load_text(&shared).unwrap().property.channels.len(), 1);
}

#[test]
fn a_broken_instrument_is_no_second_fault_of_who_names_it() {
    let text = instrument("quantity = \"air_temperature\"\nunit = \"hPa\"\n")
        + "[[sensor]]\nserial = \"A7\"\nplaced = [{ from = 2026-03-01, station = \"orchard\", instrument = \"x\" }]\ncalibration = [{ offset = \"1 K\" }]\n";
    assert_eq!(one(&text).0, 8);
    let text = text.replace("hPa", "Cel").replace("instrument = \"x\"", "instrument = \"y\"");
    assert!(one(&text).2.contains("no instrument `y`"));
}

#[test]
fn what_was_understood_is_given_beside_the_faults() {
    let folder = Folder::new();
    let text = instrument("quantity = \"air_temperature\"\nunit = \"hPa\"\n")
        + "[source.http.push]\nlisten = 5\n";
    let path = folder.write("isobarn.toml", &text);
    let examined = crate::examine(&path, &[]);
    assert_eq!(examined.faults.len(), 1);
    let settings = examined.settings.as_ref().unwrap();
    let orchard = settings.property.station("orchard").unwrap();
    assert!(settings.property.channel(orchard, "x").is_some(), "a mapping may name it");
    assert_eq!(settings.sources.len(), 1);
    assert!(examined.sound().is_err());
    let path = folder.write("isobarn.toml", "= 1");
    assert!(crate::examine(&path, &[]).settings.is_none());
}

#[test]
fn warnings_do_not_refuse() {
    let text =
        instrument("quantity = \"surface_air_pressure\"\nunit = \"hPa\"\nheight = \"1.5 m\"\n");
    let settings = load_text(&text).unwrap();
    let warnings: Vec<_> = settings.warnings.iter().map(crate::Fault::message).collect();
    assert_eq!(warnings.len(), 2, "{warnings:?}");
    assert!(warnings[0].contains("above mean sea level"));
    assert!(warnings[1].contains("no source"));
}

#[test]
fn control_characters_never_reach_the_terminal() {
    let faults = load_text(&format!("{PROPERTY}\"a\\u001b[31m\" = 1\n")).unwrap_err();
    assert!(!faults.render(false).contains('\u{1b}'));
    let faults = load_with(PROPERTY, &["a\u{1b}[31m=1"]).unwrap_err();
    assert!(!faults.render(false).contains('\u{1b}'));
}
