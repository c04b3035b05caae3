//! One connection of one client, dropped at its first error.
//!
//! The rules kept here: a message is delivered when its PUBACK is there, never when the
//! library took it; few are under way at a time; the connection is polled by a task of its
//! own, so that signs of life go out between attempts.

use crate::forwarders::port::{Link, Piece, Verdict, Verdicts};
use crate::sources::mqtt::Broker;
use config::Secret;
use futures_util::future::BoxFuture;
use rumqttc::mqttbytes::QoS;
use rumqttc::{
    AsyncClient, ConnectReturnCode, ConnectionError, Event, EventLoop, Incoming, MqttOptions,
    NetworkOptions, Outgoing, TlsConfiguration, Transport,
};
use rustls::ClientConfig;
use std::collections::VecDeque;
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::mpsc;
use tokio::task::JoinHandle;

/// Messages under way at a time.
const UNDER_WAY: u16 = 50;
const KEEP_ALIVE: Duration = Duration::from_secs(30);
/// How long connecting may take.
const PATIENCE: u64 = 10;
/// Largest packets, in bytes, in and out.
const LARGEST: usize = 1 << 20;

/// What is needed to connect.
pub(super) struct Opening {
    pub(super) broker: Broker,
    pub(super) client_id: String,
    pub(super) login: Option<(String, Secret)>,
    pub(super) trust: Option<Arc<ClientConfig>>,
}

/// A connection, opened when it is needed.
pub(super) struct Connection {
    opening: Opening,
    open: Option<Open>,
}

struct Open {
    client: AsyncClient,
    told: mpsc::Receiver<Told>,
    driver: JoinHandle<()>,
}

impl Drop for Open {
    fn drop(&mut self) {
        self.driver.abort();
    }
}

/// What the task that polls tells.
enum Told {
    Accepted,
    /// A message went out under this packet identifier.
    Sent(u16),
    /// The broker has it.
    Confirmed(u16),
    Lost(Verdict),
}

impl Connection {
    pub(super) const fn new(opening: Opening) -> Self {
        Self { opening, open: None }
    }

    fn start(&self) -> Open {
        let Opening { broker, client_id, login, trust } = &self.opening;
        let mut options = MqttOptions::new(client_id.clone(), broker.host.clone(), broker.port);
        options
            .set_keep_alive(KEEP_ALIVE)
            .set_clean_session(true)
            .set_inflight(UNDER_WAY)
            .set_max_packet_size(LARGEST, LARGEST);
        if let Some((user, password)) = login {
            options.set_credentials(user.clone(), password.reveal());
        }
        if let Some(trust) = trust {
            let tls = TlsConfiguration::Rustls(Arc::clone(trust));
            options.set_transport(Transport::tls_with_config(tls));
        }
        let (client, mut events) = AsyncClient::new(options, usize::from(UNDER_WAY));
        let mut network = NetworkOptions::new();
        network.set_tcp_nodelay(true);
        network.set_connection_timeout(PATIENCE);
        events.set_network_options(network);
        let (tell, told) = mpsc::channel(4 * usize::from(UNDER_WAY));
        let name = broker.to_string();
        Open { client, told, driver: tokio::spawn(drive(events, tell, name)) }
    }

    async fn publish(&mut self, pieces: &[Piece], verdicts: &Verdicts) {
        let mut open = match self.open.take() {
            // A connection that ended meanwhile has told so.
            Some(mut open) => match open.told.try_recv() {
                Err(mpsc::error::TryRecvError::Empty) => open,
                _ => self.start(),
            },
            None => self.start(),
        };
        // A broker may confirm in another order; a verdict is given in theirs.
        let mut confirmed = vec![false; pieces.len()];
        let mut next = 0;
        let mut asked: VecDeque<usize> = VecDeque::new();
        let mut sent: VecDeque<(u16, usize)> = VecDeque::new();
        let mut given = 0;
        while given < pieces.len() {
            while next < pieces.len() && asked.len() + sent.len() < usize::from(UNDER_WAY) {
                let Some(piece) = pieces.get(next) else { break };
                let (topic, body) = (piece.place.clone(), piece.body.clone());
                let message = open.client.try_publish(topic, QoS::AtLeastOnce, piece.newest, body);
                if message.is_err() {
                    break;
                }
                asked.push_back(next);
                next += 1;
            }
            let lost = match open.told.recv().await {
                Some(Told::Accepted) => continue,
                Some(Told::Sent(packet)) => {
                    if let Some(place) = asked.pop_front() {
                        sent.push_back((packet, place));
                    }
                    continue;
                }
                Some(Told::Confirmed(packet)) => {
                    let Some(at) = sent.iter().position(|s| s.0 == packet) else { continue };
                    if let Some(slot) = sent.remove(at).and_then(|(_, p)| confirmed.get_mut(p)) {
                        *slot = true;
                    }
                    while confirmed.get(given).copied().unwrap_or(false) {
                        verdicts.give(Verdict::Delivered);
                        given += 1;
                    }
                    continue;
                }
                Some(Told::Lost(verdict)) => verdict,
                None => Verdict::later(format!("{}: the connection ended", self.opening.broker)),
            };
            for &confirmed in confirmed.iter().skip(given) {
                verdicts.give(if confirmed { Verdict::Delivered } else { lost.clone() });
            }
            return;
        }
        self.open = Some(open);
    }
}

async fn drive(mut events: EventLoop, tell: mpsc::Sender<Told>, name: String) {
    loop {
        let told = match events.poll().await {
            Ok(Event::Incoming(Incoming::ConnAck(_))) => Told::Accepted,
            Ok(Event::Incoming(Incoming::PubAck(ack))) => Told::Confirmed(ack.pkid),
            Ok(Event::Outgoing(Outgoing::Publish(packet))) => Told::Sent(packet),
            Ok(_) => continue,
            Err(error) => {
                // Whoever listened may have gone.
                tell.send(Told::Lost(lost(&name, &error))).await.ok();
                return;
            }
        };
        if tell.send(told).await.is_err() {
            return;
        }
    }
}

fn lost(name: &str, error: &ConnectionError) -> Verdict {
    if let ConnectionError::ConnectionRefused(code) = error {
        let what = match code {
            ConnectReturnCode::BadUserNamePassword | ConnectReturnCode::NotAuthorized => {
                "refuses `user` and password"
            }
            ConnectReturnCode::BadClientId => "refuses the client identifier",
            ConnectReturnCode::RefusedProtocolVersion => "does not speak MQTT 3.1.1",
            _ => return Verdict::later(format!("{name} refuses the connection now")),
        };
        return Verdict::paused(format!("{name} {what}"));
    }
    Verdict::later(format!("{name}: {}", crate::trust::told(&error)))
}

impl Link for Connection {
    fn attempt<'a>(&'a mut self, pieces: &'a [Piece], verdicts: &'a Verdicts) -> BoxFuture<'a, ()> {
        Box::pin(self.publish(pieces, verdicts))
    }
}
