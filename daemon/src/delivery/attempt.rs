//! Delivering one load: attempt, sort by verdict, split, wait, again, until nothing of
//! it is left or the program stops.

use super::courier::Courier;
use super::load::{Filler, Load};
use super::tally::Letter;
use crate::supervision::Backoff;
use adapters::forwarders::port::{Newest, Outgoing, Piece, Verdict, Verdicts};
use adapters::port::State;
use history::DeadLetter;
use observation::Span;
use std::time::Duration;

/// How long an attempt under way may go on when the program stops.
const GRACE: Duration = Duration::from_millis(900);

/// What an attempt asks of the loop.
#[derive(Debug, Default)]
struct Sorted {
    /// What is still to be delivered.
    rest: Vec<Piece>,
    delivered: u64,
    answered: bool,
    wait: Option<Wait>,
}

/// How an attempt ended.
enum Ended {
    Whole,
    Mute,
    Stopped,
}

#[derive(Debug)]
struct Wait {
    state: State,
    after: Option<Duration>,
    too_fast: bool,
}

impl Courier {
    /// Delivers a load. None if all of it is done; else the program stops, and the number
    /// tells up to which record everything is done, if it does.
    pub(super) async fn deliver(&mut self, mut load: Load) -> Option<Option<u64>> {
        let mut pieces = std::mem::take(&mut load.pieces);
        loop {
            pieces = self.refuse_faulty(&load, pieces);
            if pieces.is_empty() {
                return None;
            }
            let wait = self.pace.wait(self.clock.monotonic());
            if !wait.is_zero() {
                self.rest(wait).await;
            }
            if self.stop.is_cancelled() {
                break;
            }
            let (verdicts, stopped) = self.attempt(&pieces).await;
            let sorted = self.sort(&load, pieces, verdicts);
            self.tally.add_delivered(sorted.delivered);
            self.keeper.unkept.delivered(sorted.delivered);
            if sorted.answered {
                self.pace.delivered(usize::try_from(sorted.delivered).unwrap_or(0));
                if sorted.wait.is_none() {
                    self.backoff = Backoff::new();
                    self.tally.state(&State::Up, self.clock.now());
                }
            }
            pieces = sorted.rest;
            if stopped && !pieces.is_empty() {
                break;
            }
            if let Some(wait) = sorted.wait {
                self.wait(wait).await;
                if self.stop.is_cancelled() {
                    break;
                }
                pieces = self.without_old(&mut load, pieces);
            }
        }
        if load.given_up > 0 {
            // What was given up of it is counted when all of it is done.
            return Some(None);
        }
        // What stands before the first reading that is left needs not come again.
        let first = pieces.iter().map(|piece| piece.readings.start).min();
        let first = first.and_then(|place| load.readings.get(place));
        Some(first.map(|outgoing| outgoing.number.saturating_sub(1)))
    }

    /// One attempt: the verdicts that were given, and whether the program stopped
    /// meanwhile. For each verdict is waited for so long as one answer may take: many small
    /// pieces may take longer together.
    async fn attempt(&mut self, pieces: &[Piece]) -> (Vec<Verdict>, bool) {
        let timeout = self.forwarder.rules().timeout;
        self.pace.begin(self.clock.monotonic());
        let mut link = match self.link.take() {
            Some(link) => link,
            None => self.forwarder.link(&self.context),
        };
        let stop = self.stop.clone();
        let overdue = async {
            stop.cancelled().await;
            tokio::time::sleep(GRACE).await;
        };
        let given = Verdicts::default();
        let mute = async { while tokio::time::timeout(timeout, given.more()).await.is_ok() {} };
        let ended = tokio::select! {
            () = link.attempt(pieces, &given) => Ended::Whole,
            () = mute => Ended::Mute,
            () = overdue => Ended::Stopped,
        };
        let mut verdicts = given.take();
        match ended {
            Ended::Whole => self.link = Some(link),
            Ended::Mute => {
                verdicts.push(Verdict::later(format!("no answer within {} s", timeout.as_secs())));
            }
            Ended::Stopped => {}
        }
        (verdicts, matches!(ended, Ended::Stopped))
    }

    fn sort(&mut self, load: &Load, pieces: Vec<Piece>, verdicts: Vec<Verdict>) -> Sorted {
        let mut sorted = Sorted::default();
        let mut verdicts = verdicts.into_iter();
        for piece in pieces {
            match verdicts.next() {
                None => sorted.rest.push(piece),
                Some(Verdict::Delivered) => {
                    sorted.answered = true;
                    sorted.delivered += piece.readings.len() as u64;
                }
                Some(Verdict::Refused { status, answer }) => {
                    sorted.answered = true;
                    if status == 413 {
                        self.most = (piece.readings.len() / 2).clamp(1, self.most);
                    }
                    self.refuse(load, &piece, status, &answer, &mut sorted.rest);
                }
                Some(Verdict::Paused { reason, .. }) => {
                    sorted.rest.push(piece);
                    sorted.wait.get_or_insert(Wait {
                        state: State::Fault(reason),
                        after: None,
                        too_fast: false,
                    });
                }
                Some(Verdict::Later { after, too_fast, reason }) => {
                    sorted.rest.push(piece);
                    sorted.wait.get_or_insert(Wait { state: State::Down(reason), after, too_fast });
                }
            }
        }
        sorted
    }

    /// A piece was refused for good: halves of it are tried, a single reading becomes a
    /// dead letter.
    fn refuse(
        &mut self,
        load: &Load,
        piece: &Piece,
        status: u16,
        answer: &str,
        rest: &mut Vec<Piece>,
    ) {
        let range = piece.readings.clone();
        if range.len() > 1 {
            let middle = range.start + range.len() / 2;
            rest.extend(self.pack(load, range.start, middle));
            rest.extend(self.pack(load, middle, range.end));
            return;
        }
        for place in range {
            let Some(outgoing) = load.readings.get(place) else { continue };
            self.bury(outgoing, status, answer);
        }
    }

    fn bury(&mut self, outgoing: &Outgoing, status: u16, answer: &str) {
        let letter = DeadLetter {
            forwarder: self.tally.name.clone(),
            number: outgoing.number,
            place: outgoing.place.unwrap_or(0),
            time: self.clock.now(),
            status,
            answer: answer.to_owned(),
        };
        if self.tally.dead() == 0 {
            tracing::warn!(
                forwarder = self.tally.name,
                log = outgoing.number,
                status,
                "a reading was refused for good and is kept as a dead letter: {answer} (more are counted)"
            );
        }
        let series = self.context.origin.series(outgoing.reading.series).map(|s| &s.series);
        self.tally.add_letter(Letter::of(letter.clone(), series, &outgoing.reading));
        self.keeper.unkept.letter(letter);
    }

    /// Packs some readings of a load anew.
    fn pack(&self, load: &Load, start: usize, end: usize) -> Vec<Piece> {
        let held = load.readings.get(start..end).unwrap_or_default();
        // What is the newest was told when the load was packed first.
        let mut pieces = self.forwarder.prepare(&self.context.origin, held, &mut Newest::default());
        for piece in &mut pieces {
            piece.readings = piece.readings.start + start..piece.readings.end + start;
        }
        pieces
    }

    /// Pieces that cannot be sent at all are refused without an attempt.
    fn refuse_faulty(&mut self, load: &Load, pieces: Vec<Piece>) -> Vec<Piece> {
        let mut sound = Vec::with_capacity(pieces.len());
        let mut waiting = pieces;
        while !waiting.is_empty() {
            let mut again = Vec::new();
            for piece in waiting {
                match &piece.fault {
                    None => sound.push(piece),
                    Some(why) => {
                        let why = why.clone();
                        self.refuse(load, &piece, 0, &why, &mut again);
                    }
                }
            }
            waiting = again;
        }
        sound.sort_by_key(|piece| piece.readings.start);
        sound
    }

    /// Tells why, and waits as long as back-off, pace and receiver ask.
    async fn wait(&mut self, wait: Wait) {
        let now = self.clock.monotonic();
        self.recovered = true;
        self.tally.state(&wait.state, self.clock.now());
        if wait.too_fast {
            self.pace.too_fast(now, wait.after);
        }
        let pause = match wait.after {
            // A little more than was asked, and not all at the same moment.
            Some(after) => after + after.mul_f64(fastrand::f64() / 10.0),
            None => self.backoff.pause(false),
        };
        self.rest(pause).await;
    }

    /// Gives up what became too old while it waited.
    fn without_old(&mut self, load: &mut Load, pieces: Vec<Piece>) -> Vec<Piece> {
        let now = self.clock.now();
        let forwarder = self.forwarder.clone();
        let old = |load: &Load, place: usize| {
            let since = load.read.map_or(0, |read| read.elapsed().as_millis());
            let since = i64::try_from(since).unwrap_or(i64::MAX);
            let waited = load.waited.get(place).map_or(0, |w| w.0.saturating_add(since));
            load.readings
                .get(place)
                .is_some_and(|o| Filler::too_old(forwarder.as_ref(), now, Span(waited), o))
        };
        let mut kept = Vec::with_capacity(pieces.len());
        let mut given_up = 0;
        for piece in pieces {
            if !piece.readings.clone().any(|place| old(load, place)) {
                kept.push(piece);
                continue;
            }
            let mut start = piece.readings.start;
            for place in piece.readings.clone() {
                if old(load, place) {
                    kept.extend(self.pack(load, start, place));
                    start = place + 1;
                    given_up += 1;
                }
            }
            kept.extend(self.pack(load, start, piece.readings.end));
        }
        self.give_up(given_up);
        kept
    }
}
