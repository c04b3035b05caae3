//! Between a session and the writer: messages go out in one delivery, and what is owed
//! for them comes back in the order of arrival once they are durable.
//!
//! The rule kept here: a receipt never overtakes the commit of its message or of any
//! message before it, and what is owed stays bounded because the intake is.

use crate::port::{Context, Delivery, Receipt, Watermark};
use observation::Message;
use std::collections::VecDeque;
use std::sync::Arc;
use std::time::Duration;

/// Most messages that are handed over together.
pub(super) const LARGEST: usize = 4_096;
/// Most bytes of payload that are handed over together, but for the last message.
pub(super) const LARGEST_BYTES: usize = 1 << 20;

/// Why a delivery could not be handed over.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Unsent {
    /// The program stops.
    Stopped,
    /// The writer took nothing for as long as the session may wait.
    Full,
    /// The writer is gone.
    Closed,
}

impl Unsent {
    /// As the reason of an end.
    pub(super) fn reason(self, patience: Duration) -> String {
        match self {
            Self::Stopped => "stopped".to_owned(),
            Self::Full => format!(
                "nothing could be handed over for {:.0} s because the store does not keep up; \
                 what was not acknowledged is to be sent again",
                patience.as_secs_f64()
            ),
            Self::Closed => "the store does not take anything any more".to_owned(),
        }
    }
}

/// What one session has handed over and still owes a receipt of kind `T` for.
#[derive(Debug)]
pub(super) struct Handover<T> {
    /// The number of this session, unlike any other across restarts.
    pub(super) sender: u64,
    watermark: Arc<Watermark>,
    sent: u64,
    messages: Vec<Message>,
    owed: VecDeque<(u64, T)>,
}

impl<T> Handover<T> {
    /// For a session that begins.
    pub(super) fn begin(context: &Context) -> Self {
        Self {
            sender: context.next_connection(),
            watermark: Arc::new(Watermark::default()),
            sent: 0,
            messages: Vec::new(),
            owed: VecDeque::new(),
        }
    }

    /// Puts a message into the next delivery. One without samples carries nothing and
    /// is left out; its receipt can be owed all the same.
    pub(super) fn add(&mut self, message: Message) {
        if !message.samples.is_empty() {
            self.messages.push(message);
        }
    }

    /// Notes a receipt that is due when everything added so far is durable.
    pub(super) fn owe(&mut self, receipt: T) {
        let due = self.sent + u64::from(!self.messages.is_empty());
        self.owed.push_back((due, receipt));
    }

    /// How many receipts are owed.
    pub(super) fn owing(&self) -> usize {
        self.owed.len()
    }

    /// Whether anything was ever handed over.
    pub(super) fn carried(&self) -> bool {
        self.sent > 0
    }

    /// Hands over what was added, waiting at most `patience` for room.
    pub(super) async fn send(
        &mut self,
        context: &Context,
        patience: Duration,
    ) -> Result<(), Unsent> {
        if self.messages.is_empty() {
            return Ok(());
        }
        let permit = match context.intake.try_reserve() {
            Ok(permit) => permit,
            Err(tokio::sync::mpsc::error::TrySendError::Closed(())) => return Err(Unsent::Closed),
            Err(tokio::sync::mpsc::error::TrySendError::Full(())) => tokio::select! {
                biased;
                () = context.stop.cancelled() => return Err(Unsent::Stopped),
                permit = context.intake.reserve() => permit.map_err(|_| Unsent::Closed)?,
                () = tokio::time::sleep(patience) => return Err(Unsent::Full),
            },
        };
        self.sent += 1;
        // The next batch is likely to be as large as this one.
        let room = self.messages.len();
        let messages = std::mem::replace(&mut self.messages, Vec::with_capacity(room));
        permit.send(Delivery {
            sender: self.sender,
            messages,
            receipt: Receipt::UpTo(Arc::clone(&self.watermark), self.sent),
        });
        Ok(())
    }

    /// Takes the next receipt that is due, in the order of arrival.
    pub(super) fn due(&mut self) -> Option<T> {
        let reached = self.watermark.reached();
        if self.owed.front().is_some_and(|(number, _)| *number <= reached) {
            self.owed.pop_front().map(|(_, receipt)| receipt)
        } else {
            None
        }
    }

    /// Whether something handed over will never be durable: the session must end.
    pub(super) fn failed(&self) -> bool {
        self.watermark.failed()
    }

    /// Waits until more may be due.
    pub(super) async fn changed(&self) {
        self.watermark.changed().await;
    }
}
