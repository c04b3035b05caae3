//! One station that never stops talking does not keep another from being heard.

use crate::settings::{token, write};
use isobarn_tests::program::Program;
use isobarn_tests::push::Client;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering::Relaxed};
use std::time::{Duration, Instant};

/// How soon a push is to be durable and readable: what the service promises.
const SOON: Duration = Duration::from_secs(2);

#[test]
fn a_chatty_station_is_slowed_down_and_the_quiet_one_is_heard_at_once() {
    let folder = tempfile::tempdir().unwrap();
    let settings = write(folder.path(), "");
    let text = std::fs::read_to_string(&settings).unwrap();
    // A slow machine must not be what holds the chatty one back.
    let text = text.replace("id = \"field\"\n", "id = \"field\"\nrate = \"100 /s\"\n");
    std::fs::write(&settings, text).unwrap();
    let program = Program::run(&settings);
    let (push, page) = (program.address("push"), program.address("http"));
    let ended = AtomicBool::new(false);
    let (taken, refused) = (AtomicUsize::new(0), AtomicUsize::new(0));
    let mut longest = Duration::ZERO;
    std::thread::scope(|scope| {
        for _ in 0..4 {
            // Fifty samples a push, as fast as the answers come.
            scope.spawn(|| {
                let client = Client::new();
                let samples = [r#"{"n":"field/t","v":7}"#; 50].join(",");
                let pack = format!("[{samples}]");
                while !ended.load(Relaxed) {
                    match client.senml(push, token("field"), &pack).status {
                        204 => taken.fetch_add(50, Relaxed),
                        429 => refused.fetch_add(50, Relaxed),
                        other => panic!("{other}"),
                    };
                }
            });
        }
        let client = Client::new();
        for i in 0..10 {
            std::thread::sleep(Duration::from_secs(1));
            let value = 10.0 + f64::from(i) * 0.25;
            let body = format!("[{{\"n\":\"ridge/t\",\"v\":{value}}}]");
            let began = Instant::now();
            assert_eq!(client.senml(push, token("ridge"), &body).status, 204);
            let shown = format!(" {value}");
            let own = |l: &&str| l.starts_with("isobarn_air_temp") && l.contains("\"ridge\"");
            while !client
                .get(page, "/metrics")
                .body
                .lines()
                .filter(own)
                .any(|l| l.ends_with(&shown))
            {
                assert!(began.elapsed() < SOON * 10, "{value} is not shown");
            }
            longest = longest.max(began.elapsed());
        }
        ended.store(true, Relaxed);
    });
    let (taken, refused) = (taken.into_inner(), refused.into_inner());
    println!("{taken} samples taken and {refused} refused beside it; heard within {longest:?}");
    assert!(refused > 0, "nobody was slowed down: the test tries nothing");
    // A hundred a second, and what the bucket held at first.
    assert!(taken <= 100 * (10 + 20), "{taken} in some ten seconds");
    assert!(longest < SOON, "{longest:?}");
    assert_eq!(program.terminate().0, Some(0));
}
