//! The simulated stations. Each is a thread that knows only its own wire: one speaks
//! MQTT to the inlet, one writes lines into a pseudo-terminal, one pushes by HTTP.

use super::property::token;
use super::request;
use super::sensors::{Orchard, Report, Ridge, Yard};
use super::weather::Sky;
use observation::Time;
use rumqttc::{AsyncClient, MqttOptions, QoS};
use serialport::TTYPort;
use std::io::{Read, Write};
use std::net::SocketAddr;
use std::sync::{Arc, Condvar, Mutex, PoisonError};
use std::time::{Duration, SystemTime, UNIX_EPOCH};

/// Time between two messages, or pushes, of each station.
pub const EVERY: Duration = Duration::from_secs(10);
/// Into how many steps the weather is cut between two messages.
const STEPS: u32 = 20;
/// Members of a message, by channel.
type Object = serde_json::Map<String, serde_json::Value>;

/// Tells all stations to stop.
#[derive(Clone, Debug, Default)]
pub struct Stop(Arc<(Mutex<bool>, Condvar)>);

impl Stop {
    /// Stops them all.
    pub fn set(&self) {
        *self.0.0.lock().unwrap_or_else(PoisonError::into_inner) = true;
        self.0.1.notify_all();
    }

    /// Waits for `span` or the stop; true at the stop.
    pub fn wait(&self, span: Duration) -> bool {
        let held = self.0.0.lock().unwrap_or_else(PoisonError::into_inner);
        let (stopped, _) = self
            .0
            .1
            .wait_timeout_while(held, span, |stopped| !*stopped)
            .unwrap_or_else(PoisonError::into_inner);
        *stopped
    }

    /// Whether they shall stop.
    pub fn is_set(&self) -> bool {
        *self.0.0.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// Unix time in seconds.
pub fn now() -> f64 {
    SystemTime::now().duration_since(UNIX_EPOCH).map_or(0.0, |d| d.as_secs_f64())
}

/// Since when counters were last read. A pause longer than a minute, such as a suspended
/// computer, counts nothing.
struct Elapsed(f64);

impl Elapsed {
    /// The span that passed, up to now.
    fn span(&mut self) -> Option<(f64, f64)> {
        let (from, to) = (self.0, now());
        self.0 = to;
        (0.0..60.0).contains(&(to - from)).then_some((from, to))
    }
}

/// A report as the members of a JSON object.
fn object(report: Report) -> Object {
    report.into_iter().map(|(channel, value)| (channel.to_owned(), value.into())).collect()
}

/// The mast on the ridge: MQTT, with a boot identifier and sequence numbers.
pub fn ridge(sky: &Sky, inlet: SocketAddr, stop: &Stop) {
    let Ok(runtime) = tokio::runtime::Builder::new_current_thread().enable_all().build() else {
        return;
    };
    let boot = format!("{:08x}", fastrand::u32(..));
    let mut ridge = Ridge::default();
    let mut elapsed = Elapsed(now());
    let mut sequence = 0_u64;
    let mut message = move || {
        if let Some((from, to)) = elapsed.span() {
            ridge.pass(sky, from, to, STEPS);
        }
        sequence += 1;
        let mut said = object(ridge.report(sky, now()));
        said.insert("boot".to_owned(), boot.clone().into());
        said.insert("sequence".to_owned(), sequence.into());
        serde_json::Value::from(said).to_string()
    };
    while !stop.is_set() {
        let mut options = MqttOptions::new("demo-ridge", inlet.ip().to_string(), inlet.port());
        options.set_credentials("ridge", token("ridge"));
        options.set_keep_alive(Duration::from_secs(30));
        options.set_clean_session(false);
        runtime.block_on(async {
            let (client, mut events) = AsyncClient::new(options, 16);
            let mut tick = tokio::time::interval(EVERY);
            tick.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Skip);
            let mut look = tokio::time::interval(Duration::from_millis(200));
            loop {
                tokio::select! {
                    event = events.poll() => if event.is_err() { break },
                    _ = tick.tick() => {
                        // A full queue means that the link is down: the next message
                        // carries the running totals anyway.
                        drop(client.try_publish("ridge", QoS::AtLeastOnce, false, message()));
                    }
                    _ = look.tick() => if stop.is_set() {
                        drop(client.try_disconnect());
                        // One more turn lets the goodbye out.
                        drop(tokio::time::timeout(Duration::from_millis(200), events.poll()).await);
                        break;
                    },
                }
            }
        });
        if stop.wait(Duration::from_secs(1)) {
            break;
        }
    }
}

/// The station in the yard: lines on a cable, with a checksum.
pub fn yard(sky: &Sky, mut cable: TTYPort, stop: &Stop) {
    let mut yard = Yard::default();
    let mut elapsed = Elapsed(now());
    loop {
        if let Some((from, to)) = elapsed.span() {
            yard.pass(sky, from, to, STEPS);
        }
        let pairs: Vec<String> =
            yard.report(sky, now()).iter().map(|(name, value)| format!("{name}={value}")).collect();
        let body = pairs.join(",");
        let sum = body.bytes().fold(0_u8, |sum, byte| sum ^ byte);
        // Whether anybody holds the other end is nothing a station can know.
        drop(cable.write_all(format!("{body}*{sum:02X}\r\n").as_bytes()));
        // What the other end says is read and dropped, so that it never waits.
        let mut said = [0_u8; 64];
        drop(cable.read(&mut said));
        if stop.wait(EVERY) {
            return;
        }
    }
}

/// The station in the orchard: sleeps, wakes, pushes with its own time, and keeps what
/// got no receipt for the next time it wakes. Its hygrometer may be `wrong`.
pub fn orchard(sky: &Sky, push: SocketAddr, wrong: bool, stop: &Stop) {
    let mut orchard = Orchard::new(wrong);
    let mut elapsed = Elapsed(now());
    let mut waiting: Vec<String> = Vec::new();
    loop {
        if let Some((from, to)) = elapsed.span() {
            orchard.pass(sky, from, to, STEPS);
        }
        let time = now().floor();
        let mut said = object(orchard.report(sky, time));
        if let Some(stamp) = Time::from_seconds(time) {
            said.insert("time".to_owned(), stamp.to_string().into());
        }
        waiting.push(serde_json::Value::from(said).to_string());
        if waiting.len() > 100 {
            waiting.remove(0);
        }
        while let Some(body) = waiting.first() {
            let answer =
                request::send(push, "/v1/push/orchard", Some(token("orchard")), Some(body));
            match answer {
                // Refused for good: sending it again would not help.
                Ok((204 | 400..=422, _)) => drop(waiting.remove(0)),
                _ => break,
            }
        }
        if stop.wait(EVERY) {
            return;
        }
    }
}
