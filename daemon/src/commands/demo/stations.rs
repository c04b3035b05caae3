//! The simulated stations. Each is a thread that knows only its own wire: one speaks
//! MQTT to the inlet, one writes lines into a pseudo-terminal, one pushes by HTTP.

use super::instruments::{Cup, Gauge, switches};
use super::property::token;
use super::request;
use super::weather::Sky;
use observation::Time;
use rumqttc::{AsyncClient, MqttOptions, QoS};
use serialport::TTYPort;
use std::io::{Read, Write};
use std::net::SocketAddr;
use std::sync::{Arc, Condvar, Mutex, PoisonError};
use std::time::{Duration, SystemTime, UNIX_EPOCH};

/// Time between two messages of the stations that stay awake.
pub const AWAKE: Duration = Duration::from_secs(2);
/// Time between two pushes of the station that sleeps.
pub const ASLEEP: Duration = Duration::from_secs(5);
/// Into how many steps the wind is cut between two messages.
const STEPS: u32 = 20;

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

fn rounded(value: f64, decimals: i32) -> f64 {
    let scale = 10_f64.powi(decimals);
    (value * scale).round() / scale
}

/// Lets the counters follow the weather since they were last read, in small steps, so
/// that a gust shorter than the interval turns the cup too. A pause longer than a
/// minute, such as a suspended computer, turns nothing.
struct Elapsed(f64);

impl Elapsed {
    fn steps(&mut self, mut step: impl FnMut(f64, f64)) {
        let until = now();
        let passed = until - self.0;
        if (0.0..60.0).contains(&passed) {
            let each = passed / f64::from(STEPS);
            for n in 0..STEPS {
                step(self.0 + (f64::from(n) + 0.5) * each, each);
            }
        }
        self.0 = until;
    }
}

/// The mast on the ridge: MQTT, with a boot identifier and sequence numbers.
pub fn ridge(sky: Sky, inlet: SocketAddr, stop: &Stop) {
    let Ok(runtime) = tokio::runtime::Builder::new_current_thread().enable_all().build() else {
        return;
    };
    let boot = format!("{:08x}", fastrand::u32(..));
    let mut cup = Cup::default();
    let mut elapsed = Elapsed(now());
    let mut sequence = 0_u64;
    let mut message = move || {
        elapsed.steps(|at, seconds| cup.turn(&sky.at(at), seconds));
        let weather = sky.at(now());
        sequence += 1;
        serde_json::json!({
            "boot": boot,
            "sequence": sequence,
            "air": rounded(weather.air_temperature, 2),
            "humidity": rounded(weather.relative_humidity, 1),
            "turns": cup.total(),
            "switches": switches(weather.wind_from),
        })
        .to_string()
    };
    while !stop.is_set() {
        let mut options = MqttOptions::new("demo-ridge", inlet.ip().to_string(), inlet.port());
        options.set_credentials("ridge", token("ridge"));
        options.set_keep_alive(Duration::from_secs(30));
        options.set_clean_session(false);
        runtime.block_on(async {
            let (client, mut events) = AsyncClient::new(options, 16);
            let mut tick = tokio::time::interval(AWAKE);
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
pub fn yard(sky: Sky, mut cable: TTYPort, stop: &Stop) {
    let mut gauge = Gauge::default();
    let mut elapsed = Elapsed(now());
    loop {
        elapsed.steps(|at, seconds| gauge.rain(&sky.at(at), seconds));
        let weather = sky.at(now());
        let body = format!(
            "air={:.2},pressure={:.2},tips={}",
            weather.air_temperature + 0.4,
            weather.pressure,
            gauge.total()
        );
        let sum = body.bytes().fold(0_u8, |sum, byte| sum ^ byte);
        // Whether anybody holds the other end is nothing a station can know.
        drop(cable.write_all(format!("{body}*{sum:02X}\r\n").as_bytes()));
        // What the other end says is read and dropped, so that it never waits.
        let mut said = [0_u8; 64];
        drop(cable.read(&mut said));
        if stop.wait(AWAKE) {
            return;
        }
    }
}

/// The station in the orchard: sleeps, wakes, pushes with its own time, and keeps what
/// got no receipt for the next time it wakes.
pub fn orchard(sky: Sky, push: SocketAddr, stop: &Stop) {
    let mut waiting: Vec<String> = Vec::new();
    loop {
        let time = now().floor();
        let weather = sky.at(time);
        let stamp = Time::from_seconds(time).map(|t| t.to_string());
        waiting.push(
            serde_json::json!({
                "time": stamp,
                "air": rounded(weather.air_temperature - 0.3, 2),
                "humidity": rounded((weather.relative_humidity + 2.0).min(100.0), 1),
                "soil": rounded(weather.soil_temperature, 2),
                "battery": rounded(3.9 + 0.25 * weather.shortwave / 800.0, 3),
            })
            .to_string(),
        );
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
        if stop.wait(ASLEEP) {
            return;
        }
    }
}
