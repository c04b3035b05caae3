//! What one sender did lately, and what that tells of how it waits for receipts.

use observation::StationIndex;
use std::time::Duration;

/// A sender that speaks again this soon after its receipt waits for receipts.
const SOON: Duration = Duration::from_millis(100);
/// After a try that it did not answer promptly a sender is left alone: twice as long each
/// time, from the first to the second of these.
const PATIENCE: [Duration; 2] = [Duration::from_secs(60), Duration::from_secs(3_600)];
/// Windows filled in a row that may be in vain before that holds for them, too.
const FREE: u32 = 3;
/// Seconds that "lately" is long.
pub(super) const LATELY: usize = 10;

/// What is asked of one station by the settings.
#[derive(Clone, Copy, Debug)]
pub(super) struct Asked {
    /// Samples that its channels send in [`LATELY`] seconds.
    pub(super) samples: f64,
    /// Time between two of its messages: the shortest interval of its channels.
    pub(super) spacing: Duration,
    /// Whether it sleeps once it has its receipt.
    pub(super) sleeps: bool,
}

/// One connection or session.
#[derive(Debug)]
pub(super) struct Sender {
    last_receipt: Option<Duration>,
    /// When the first and the last message since came.
    first_message: Duration,
    last_message: Duration,
    /// Messages and samples since the last receipt, and whether the first of them came
    /// soon after it.
    unanswered: u32,
    samples_unanswered: u32,
    prompt: bool,
    /// Receipts in a row that were followed soon by one message.
    streak: u32,
    /// Whether its last message was committed at once to find out, how often that was in
    /// vain, and before when it is not done again.
    trying: bool,
    in_vain: u32,
    not_before: Duration,
    /// So many messages right after a receipt, and it fell silent until the next: a broker
    /// has no more under way. 0 where that is not known.
    window: u32,
    /// Whether its last messages were committed at once because they filled the window.
    filled: bool,
    /// Samples in each of the last seconds, by second modulo [`LATELY`].
    samples: [u32; LATELY],
    /// The second that was counted last.
    pub(super) second: u64,
    /// Its stations; each is counted once.
    stations: Vec<StationIndex>,
    /// What is asked of them together in [`LATELY`] seconds, and the shortest spacing.
    asked: f64,
    pub(super) spacing: Duration,
}

impl Sender {
    pub(super) fn new(now: Duration) -> Self {
        Self {
            last_receipt: None,
            first_message: now,
            last_message: now,
            unanswered: 0,
            samples_unanswered: 0,
            prompt: false,
            streak: 0,
            trying: false,
            in_vain: 0,
            not_before: Duration::ZERO,
            window: 0,
            filled: false,
            samples: [0; LATELY],
            second: now.as_secs(),
            stations: Vec::new(),
            asked: 0.0,
            spacing: Duration::MAX,
        }
    }

    /// A message came from it.
    pub(super) fn message(
        &mut self,
        now: Duration,
        station: StationIndex,
        asked: Asked,
        samples: usize,
    ) {
        let samples = u32::try_from(samples).unwrap_or(u32::MAX);
        self.turn(now.as_secs());
        if let Some(count) = self.samples.get_mut(place(self.second)) {
            *count = count.saturating_add(samples);
        }
        if !self.stations.contains(&station) {
            self.stations.push(station);
            self.asked += asked.samples;
            self.spacing = self.spacing.min(asked.spacing);
        }
        self.last_message = now;
        self.unanswered = self.unanswered.saturating_add(1);
        self.samples_unanswered = self.samples_unanswered.saturating_add(samples);
        if self.unanswered == 1 {
            self.first_message = now;
            self.prompt = self.soon(now);
            self.learn(now);
        }
        if self.window > 0 && self.unanswered >= self.window.saturating_mul(2) {
            // It is not held back by so few.
            self.window = 0;
        }
    }

    /// Whether it got its last receipt a moment ago.
    fn soon(&self, now: Duration) -> bool {
        self.last_receipt.is_some_and(|last| now.saturating_sub(last) < SOON)
    }

    /// Whether its last message is the first since its receipt, and might begin a row of
    /// receipts each followed by one message; its very first one might, too.
    pub(super) fn may_be_tried(&self, now: Duration) -> bool {
        self.unanswered == 1
            && self.streak < super::STREAK
            && self.window < 2
            && now >= self.not_before
            && (self.prompt || self.last_receipt.is_none())
    }

    /// Whether its last message is committed soon to see whether it waits for the receipt.
    pub(super) fn trying(&mut self, trying: bool) {
        self.trying = trying;
    }

    /// Whether it works off a backlog and waits for the receipt of what it sent.
    pub(super) fn is_catching_up(&mut self, now: Duration) -> bool {
        if self.window >= 2 {
            self.filled = self.fills_window(now);
            return self.filled;
        }
        let lately: f64 = self.samples.iter().map(|&n| f64::from(n)).sum();
        self.soon(now)
            && ((self.unanswered == 1 && self.streak >= super::STREAK) || lately > 2.0 * self.asked)
    }

    /// Whether as many messages as it has under way at most came since its last receipt,
    /// from soon after it on and more than twice as fast as its stations speak.
    fn fills_window(&self, now: Duration) -> bool {
        let Some(last) = self.last_receipt else { return false };
        let passed = now.saturating_sub(last).as_secs_f64() / LATELY as f64;
        self.prompt
            && now >= self.not_before
            && self.unanswered >= self.window
            && f64::from(self.samples_unanswered) > 2.0 * self.asked * passed
    }

    /// What the first message after a receipt says of the receipt that was given at once
    /// before it.
    fn learn(&mut self, now: Duration) {
        if (self.trying || self.filled) && !self.prompt {
            self.in_vain = self.in_vain.saturating_add(1);
            // A queue is empty sooner or later, so that the last full window is in vain.
            let free = if self.filled { FREE } else { 0 };
            if self.in_vain > free {
                let [least, most] = PATIENCE;
                let more = (self.in_vain - free - 1).min(10);
                self.not_before = now + (least * (1 << more)).min(most);
                self.window = 0;
            }
        } else if self.filled || self.streak >= super::STREAK {
            self.in_vain = 0;
        }
        (self.trying, self.filled) = (false, false);
    }

    /// It gets its receipt.
    pub(super) fn receipt(&mut self, now: Duration) {
        let silent = now.saturating_sub(self.last_message);
        let lasted = self.last_message.saturating_sub(self.first_message);
        if self.prompt && self.unanswered > 1 && silent >= (lasted * 3).max(SOON) {
            self.window =
                if self.window > 0 { self.window.min(self.unanswered) } else { self.unanswered };
        }
        let one_by_one = self.prompt && self.unanswered == 1;
        self.streak = if one_by_one { self.streak.saturating_add(1) } else { 0 };
        self.last_receipt = Some(now);
        self.unanswered = 0;
        self.samples_unanswered = 0;
    }

    /// Empties the seconds between the last counted one and this.
    fn turn(&mut self, second: u64) {
        let passed = second.saturating_sub(self.second).min(LATELY as u64);
        for empty in 1..=passed {
            if let Some(count) = self.samples.get_mut(place(self.second + empty)) {
                *count = 0;
            }
        }
        if passed == LATELY as u64 {
            self.samples = [0; LATELY];
        }
        self.second = second;
    }
}

/// The place of a second among the last ones.
const fn place(second: u64) -> usize {
    (second % LATELY as u64) as usize
}
