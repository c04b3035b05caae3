//! `conf.d` and `--set`.

use super::{Folder, PROPERTY, load_with};
use observation::Span;
use std::path::Path;

#[test]
fn fragments_are_read_in_the_order_of_their_names_and_arrays_append() {
    let folder = Folder::new();
    let main = folder.write(
        "isobarn.toml",
        &format!(
            "{PROPERTY}[source.http.push]\nlisten = \"127.0.0.1:0\"\n[[station]]\nid = \"a\"\n"
        ),
    );
    folder.write(
        "conf.d/20-c.toml",
        "[[station]]\nid = \"c\"\n[source.http.second]\nlisten = \"127.0.0.1:0\"\n",
    );
    folder.write("conf.d/10-b.toml", "[[station]]\nid = \"b\"\n[history]\ndirectory = \"store\"\n");
    folder.write("conf.d/notes.txt", "this is not TOML");
    folder.write("conf.d/.hidden.toml", "this is not TOML");
    let settings = crate::load(&main, &[]).unwrap();
    let ids: Vec<_> = settings.property.stations.iter().map(|s| s.id.as_str()).collect();
    assert_eq!(ids, ["a", "b", "c"]);
    let sources: Vec<_> = settings.sources.iter().map(|s| s.name.as_str()).collect();
    assert_eq!(sources, ["push", "second"]);
    // Paths are relative to the settings file, not to conf.d.
    assert_eq!(settings.history.directory, folder.0.path().join("store"));
    assert!(settings.text.contains("# 10-b.toml\n[[station]]\nid = \"b\""));
}

#[test]
fn a_table_given_twice_is_told_with_both_places() {
    let folder = Folder::new();
    let main = folder.write(
        "isobarn.toml",
        &format!(
            "{PROPERTY}[http]\ndoubtful = true\n[source.http.push]\nlisten = \"127.0.0.1:0\"\n"
        ),
    );
    let more =
        folder.write("conf.d/a.toml", "[http]\nlisten = \"127.0.0.1:1\"\n[source.http.push]\n");
    let faults = crate::load(&main, &[]).unwrap_err();
    let shown: Vec<_> = faults.iter().map(ToString::to_string).collect();
    assert_eq!(faults.len(), 2, "{shown:#?}");
    assert!(
        shown[0].starts_with(&format!(
            "{}:1:2: `http` is already given at {}:2:2",
            more.display(),
            main.display()
        )),
        "{}",
        shown[0]
    );
    assert!(shown[1].contains(":3:14: `source.http.push` is already given"), "{}", shown[1]);
}

#[test]
fn a_fragment_that_is_not_toml_hides_nothing_else_as_missing() {
    let folder = Folder::new();
    let main = folder.write("isobarn.toml", PROPERTY);
    folder.write("conf.d/a.toml", "[[station]\n");
    folder.write("conf.d/b.toml", "= 1\n");
    let faults = crate::load(&main, &[]).unwrap_err();
    assert_eq!(faults.len(), 2);
    assert!(faults.iter().all(|f| f.message().starts_with("this is not TOML")));
    assert!(faults.iter().next().unwrap().file().unwrap().ends_with("conf.d/a.toml"));
}

#[derive(serde::Deserialize)]
struct Listen {
    listen: String,
}

#[test]
fn overrides_replace_and_add() {
    let text = format!(
        "{PROPERTY}[source.http.push]\nlisten = \"127.0.0.1:8674\"\n[[station]]\nid = \"a\"\n"
    );
    let settings = load_with(
        &text,
        &[
            "history.directory=\"/srv/store\"",
            "history.commit_interval = \"0 s\"",
            "http.listen=127.0.0.1:0",
            "source.http.push.listen=127.0.0.1:0",
            "source.mqtt_inlet.yard = { listen = \"127.0.0.1:0\" }",
            "station.0.interval=\"5 s\"",
            "property.\"elevation\" = \"10 m\"",
            "history.directory=/srv/other",
        ],
    )
    .unwrap();
    assert_eq!(settings.history.directory, Path::new("/srv/other"));
    assert_eq!(settings.history.commit_interval, Span::ZERO);
    assert_eq!(settings.http.listen.port(), 0);
    assert_eq!(settings.property.stations[0].interval, Span::seconds(5));
    assert!((settings.property.elevation - 10.0).abs() < 1e-9);
    let names: Vec<_> = settings.sources.iter().map(|s| s.name.as_str()).collect();
    assert_eq!(names, ["push", "yard"]);
    for source in &settings.sources {
        assert_eq!(source.decode::<Listen>("").unwrap().listen, "127.0.0.1:0");
    }
}

#[test]
fn a_fault_in_an_override_points_to_it() {
    for (given, shown) in [
        (
            "history.commit_interval=\"2 min\"",
            "--set history.commit_interval: `commit_interval` is from 0 s to 1 min",
        ),
        ("http.lisen=\"x\"", "--set http.lisen: unknown key `lisen` in [http]"),
        ("http.doubtful=yes", "--set http.doubtful: `doubtful` is true or false, not a text"),
        ("http.doubtful=[1", "--set http.doubtful: the value is not TOML"),
        ("http.doubtful=", "--set http.doubtful: the value is not TOML"),
        ("http", "--set KEY=VALUE: an override is KEY=VALUE"),
        ("http..x=1", "--set http..x: the key is not a dotted TOML key"),
        ("=1", "--set : the key is not a dotted TOML key"),
        ("a=1\nb=2", "--set a: the value is not TOML"),
        ("a\nb=2", "the key is not a dotted TOML key"),
        ("station.7.id=\"x\"", "--set station.7.id: `station` has no entry `7`"),
        ("station.x=\"x\"", "--set station.x: `station` has no entry `x`"),
        ("property.name.x=1", "--set property.name.x: `name` holds no keys"),
    ] {
        let text = format!("{PROPERTY}[[station]]\nid = \"a\"\n");
        let faults = load_with(&text, &[given]).unwrap_err();
        assert_eq!(faults.len(), 1, "{faults}");
        let told = faults.to_string();
        assert!(told.contains(shown), "{given}: {told}");
        assert_eq!(faults.iter().next().unwrap().line_column(), None);
    }
}
