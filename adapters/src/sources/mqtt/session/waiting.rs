//! How long a session waits for what, and what it does when that is over.

use super::ending::Ended;
use super::{CONNECT, Session, Stage};
use futures_util::StreamExt;
use std::time::Duration;
use tokio::time::Instant;

/// How long the answer to a subscription may take.
const SUBSCRIBE: Duration = Duration::from_secs(10);
/// Time between attempts to subscribe to what was refused.
const ASK_AGAIN: Duration = Duration::from_secs(300);
/// How long a stopping session waits for commits, and then for its goodbye.
const LAST_COMMITS: Duration = Duration::from_millis(400);
const GOODBYE: Duration = Duration::from_millis(200);

impl Session<'_> {
    pub(super) fn deadline(&self) -> Instant {
        match self.stage {
            Stage::Connecting => self.last_life + CONNECT + Duration::from_secs(1),
            Stage::Subscribing => self.asked + SUBSCRIBE,
            Stage::Live => {
                let silent = self.last_life + self.source.keep_alive * 3 / 2;
                if self.refused.is_empty() { silent } else { silent.min(self.asked + ASK_AGAIN) }
            }
        }
    }

    /// What to do when the deadline passed.
    pub(super) fn overdue(&mut self) -> Option<Ended> {
        let now = Instant::now();
        if now < self.deadline() {
            return None;
        }
        match self.stage {
            Stage::Connecting => Some(Ended::because("no answer to the attempt to connect")),
            Stage::Subscribing => Some(Ended::because(format!(
                "no answer to the subscription within {} s",
                SUBSCRIBE.as_secs()
            ))),
            Stage::Live if now >= self.last_life + self.source.keep_alive * 3 / 2 => {
                Some(Ended::because(format!(
                    "no sign of life for {:.0} s",
                    (now - self.last_life).as_secs_f64()
                )))
            }
            Stage::Live => {
                self.filters = std::mem::take(&mut self.refused);
                self.stage = Stage::Subscribing;
                self.subscribe(now).err()
            }
        }
    }

    /// Acknowledges what is durable by now and says goodbye.
    pub(super) async fn stop(&mut self) -> Ended {
        let last = Instant::now() + LAST_COMMITS;
        while self.handover.owing() > 0 && !self.handover.failed() {
            tokio::select! {
                () = self.handover.changed() => {}
                () = tokio::time::sleep_until(last) => break,
            }
            while let Some(packet) = self.handover.due() {
                self.acknowledge.push_back(packet);
            }
        }
        self.link.requests.acknowledge(&mut self.acknowledge);
        self.link.requests.disconnect();
        let over = async { while let Some(Ok(_)) = self.link.events.next().await {} };
        tokio::time::timeout(GOODBYE, over).await.ok();
        Ended::Stopped
    }
}
