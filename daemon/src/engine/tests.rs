//! The engine against a processor that does what the tests tell it.

use super::core::{Core, Fatal};
use super::keeping::{Keeping, Limits};
use super::pacing::Pacing;
use super::process::Process;
use super::standing::Standing;
use super::timekeeping::{Step, Timekeeping};
use super::turn::{LastSaved, Parts, Turn};
use super::{COMMANDS, Command, QUEUE};
use crate::clock::{Clock, HandClock, SystemClock};
use crate::counts::{Counts, SampleResult};
use crate::fixture;
use crate::snapshot::{Live, Snapshot};
use crate::tokens::Tokens;
use adapters::port::{Delivery, Receipt, Watermark};
use history::{Entry, History, Options, StatePart};
use observation::property::InstrumentIndex;
use observation::{
    ChannelIndex, Finite, Measured, Message, Property, Refusal, Series, SourceIndex, Span, Stated,
    StationIndex, Time, Value,
};
use processor::{Output, Recall};
use std::path::Path;
use std::sync::Arc;
use std::time::{Duration, Instant};
use tokio::sync::{mpsc, oneshot, watch};
use tokio_util::sync::CancellationToken;

/// The value at which the fake fails inside.
const POISON: f64 = 666.0;

/// Accepts everything but the future, fails at [`POISON`].
pub(super) struct Fake {
    walked: Time,
}

impl Process for Fake {
    fn take(&mut self, message: Message, _: u64, _: &mut dyn Recall, out: &mut Output) {
        self.walked = self.walked.max(message.received);
        let future = |s: &Measured| matches!(s.stated, Stated::At(t) if t > message.received);
        if message.samples.iter().any(future) {
            out.set_aside.push(processor::SetAside { message, reason: Refusal::Future });
            return;
        }
        out.accepted += message.samples.len() as u64;
        let poisoned = message.samples.iter().any(|s| s.value.number() == Some(POISON));
        out.messages.push(message);
        assert!(!poisoned, "a defect for the test");
    }
    fn walk(&mut self, now: Time, _: &mut dyn Recall, _: &mut Output) {
        self.walked = self.walked.max(now);
    }
    fn walked(&self) -> Time {
        self.walked
    }
    fn step_clock(&mut self, _: Time, new: Time, _: &mut dyn Recall, _: &mut Output) {
        self.walked = new;
    }
    fn close(&mut self, _: &mut dyn Recall, _: &mut Output) {}
    fn live(&self, _: InstrumentIndex) -> Option<Live> {
        None
    }
    fn rain(&self, _: InstrumentIndex) -> f64 {
        0.0
    }
    fn save(&self) -> Vec<StatePart> {
        let body = vec![1];
        vec![StatePart { name: "fake".to_owned(), version: 1, fingerprint: 0, body }]
    }
}

pub(super) fn message(value: f64) -> Message {
    Message {
        station: StationIndex(0),
        source: SourceIndex(0),
        boot: None,
        sequence: None,
        received: Time(0),
        early: false,
        redelivery: None,
        samples: vec![Measured {
            channel: ChannelIndex(0),
            value: Value::Number(Finite::new(value).unwrap()),
            stated: Stated::Nothing,
        }],
    }
}

/// An engine at work over a directory.
struct Bench {
    property: Arc<Property>,
    intake: Option<mpsc::Sender<Delivery>>,
    commands: mpsc::Sender<Command>,
    snapshots: watch::Receiver<Arc<Snapshot>>,
    counts: Arc<Counts>,
    stop: CancellationToken,
    ended: oneshot::Receiver<Result<(), Fatal>>,
}

/// A turn that nobody has started yet.
pub(super) struct Stage {
    pub(super) turn: Turn<Fake>,
    counts: Arc<Counts>,
    snapshots: watch::Receiver<Arc<Snapshot>>,
    stop: CancellationToken,
    step: Option<Step>,
}

pub(super) fn stage(
    property: &Arc<Property>,
    series: Arc<[Series]>,
    history: History,
    clock: Arc<dyn Clock>,
    (interval, keeping, last_saved): (Duration, Keeping, LastSaved),
) -> Stage {
    let sources = [("push".to_owned(), "http".to_owned())];
    let counts = Arc::new(Counts::new(Arc::clone(property), Arc::clone(&clock), &sources));
    let first = Snapshot::empty(Arc::clone(property), Arc::clone(&series), clock.now());
    let (outlet, snapshots) = watch::channel(Arc::new(first));
    let stop = CancellationToken::new();
    let last = history.last().map(|l| l.received);
    let (timekeeping, step) = Timekeeping::start(clock.as_ref(), last);
    let tokens = Tokens::of(Vec::new(), property, &history);
    let standing =
        Standing::new(Arc::clone(property), series, Arc::from(""), clock.now(), 0, Span::hours(6));
    let turn = Turn::new(Parts {
        core: Core::standing(
            Fake { walked: Time(0) },
            history,
            Box::new(|_| Ok(Fake { walked: Time(0) })),
        ),
        standing,
        pacing: Pacing::new(property, interval),
        timekeeping,
        clock,
        counts: Arc::clone(&counts),
        outlet,
        tokens,
        stop: stop.clone(),
        grace: Span::seconds(5),
        last_saved,
        keeping,
    });
    Stage { turn, counts, snapshots, stop, step }
}

impl Bench {
    fn start(directory: &Path, interval_ms: u64, options: &Options) -> Self {
        Self::with_clock(directory, interval_ms, options, Arc::new(SystemClock::new()))
    }

    fn with_clock(
        directory: &Path,
        interval_ms: u64,
        options: &Options,
        clock: Arc<dyn Clock>,
    ) -> Self {
        let property = fixture::property("Orchard");
        let series: Arc<[Series]> = Arc::from([]);
        let (mut history, _) = History::open(directory, options).unwrap();
        history.register(clock.now(), &property, &series, &["push".to_owned()]).unwrap();
        let unlimited = Limits { bytes: u64::MAX, age: None };
        let keeping = Keeping::new(&property, unlimited, Vec::new());
        let interval = Duration::from_millis(interval_ms);
        let Stage { turn, counts, snapshots, stop, step } =
            stage(&property, series, history, clock, (interval, keeping, LastSaved::default()));
        let (intake, deliveries) = mpsc::channel(QUEUE);
        let (commands, orders) = mpsc::channel(COMMANDS);
        let ended = super::start(turn, deliveries, orders, step).unwrap();
        Self { property, intake: Some(intake), commands, snapshots, counts, stop, ended }
    }

    fn send(&self, sender: u64, messages: Vec<Message>, receipt: Receipt) {
        let delivery = Delivery { sender, messages, receipt };
        self.intake.as_ref().unwrap().blocking_send(delivery).unwrap();
    }

    /// Hands over one message and waits for its receipt.
    fn push(&self, sender: u64, value: f64) -> Result<(), oneshot::error::RecvError> {
        let (answer, receipt) = oneshot::channel();
        self.send(sender, vec![message(value)], Receipt::Once(answer));
        receipt.blocking_recv()
    }

    fn end(mut self) -> Result<(), Fatal> {
        self.intake = None;
        self.ended.blocking_recv().expect("the engine does not panic")
    }
}

fn until(what: &str, mut condition: impl FnMut() -> bool) {
    let deadline = Instant::now() + Duration::from_secs(30);
    while !condition() {
        assert!(Instant::now() < deadline, "waited for {what}");
        std::thread::sleep(Duration::from_millis(5));
    }
}

fn values(directory: &Path, property: &Property) -> Vec<f64> {
    let reader = history::Reader::open(directory, property, &[], &["push".to_owned()]).unwrap();
    let mut values = Vec::new();
    for record in reader.look().records(0) {
        if let Entry::Batch { messages, .. } = record.unwrap().entry {
            values
                .extend(messages.iter().flat_map(|m| &m.samples).filter_map(|s| s.value.number()));
        }
    }
    values
}

fn options() -> Options {
    Options { ballast: 0, ..Options::at(Time(1_780_000_000_000)) }
}

#[test]
fn a_receipt_comes_after_the_commit_and_the_snapshot_shows_it() {
    let folder = tempfile::tempdir().unwrap();
    let bench = Bench::start(folder.path(), 0, &options());
    bench.push(1, 17.3).unwrap();
    assert_eq!(values(folder.path(), &bench.property), [17.3]);
    let snapshot = Arc::clone(&bench.snapshots.borrow());
    assert_eq!(snapshot.history.commits.count, 1);
    assert!(snapshot.stations[0].heartbeat.is_some());
    assert_eq!(bench.counts.source(SourceIndex(0)).unwrap().samples(SampleResult::Accepted), 1);
    bench.end().unwrap();
}

#[test]
fn a_request_is_not_kept_waiting_for_a_long_interval_and_a_stop_commits_at_once() {
    let folder = tempfile::tempdir().unwrap();
    let bench = Bench::start(folder.path(), 60_000, &options());
    let before = Instant::now();
    bench.push(1, 1.0).unwrap();
    assert!(before.elapsed() < Duration::from_secs(2), "{:?}", before.elapsed());
    let mark = Arc::new(Watermark::default());
    bench.send(2, vec![message(2.0)], Receipt::UpTo(Arc::clone(&mark), 9));
    assert_eq!(mark.reached(), 0, "the interval is a minute");
    bench.stop.cancel();
    until("the receipt at the stop", || mark.reached() == 9);
    let property = Arc::clone(&bench.property);
    bench.end().unwrap();
    assert_eq!(values(folder.path(), &property), [1.0, 2.0]);
}

#[test]
fn one_commit_takes_all_that_waits_and_each_receipt_is_given_once() {
    let folder = tempfile::tempdir().unwrap();
    let bench = Bench::start(folder.path(), 300, &options());
    let marks: Vec<Arc<Watermark>> = (0..50).map(|_| Arc::default()).collect();
    for (sender, mark) in (0..).zip(&marks) {
        let messages = vec![message(1.0), message(2.0)];
        bench.send(sender, messages, Receipt::UpTo(Arc::clone(mark), 2));
    }
    until("all receipts", || marks.iter().all(|m| m.reached() == 2));
    let commits = bench.snapshots.borrow().history.commits.count;
    assert!(commits <= 3, "{commits} commits for what came within one interval");
    bench.end().unwrap();
}

#[test]
fn a_message_that_fails_inside_is_set_aside_and_the_others_are_not() {
    let folder = tempfile::tempdir().unwrap();
    let bench = Bench::start(folder.path(), 100, &options());
    let mark = Arc::new(Watermark::default());
    let messages = vec![message(1.0), message(POISON), message(2.0)];
    bench.send(1, messages, Receipt::UpTo(Arc::clone(&mark), 3));
    until("the receipt", || mark.reached() == 3);
    let property = Arc::clone(&bench.property);
    assert_eq!(values(folder.path(), &property), [1.0, 2.0]);
    let reader =
        history::Reader::open(folder.path(), &property, &[], &["push".to_owned()]).unwrap();
    let aside = reader.look().set_aside(None, 0, 10).unwrap();
    assert_eq!(aside.len(), 1);
    assert_eq!(aside[0].set_aside.reason, Refusal::Panic);
    assert_eq!(aside[0].set_aside.message.samples[0].value.number(), Some(POISON));
    let refused = bench.counts.refusals();
    assert!(refused.iter().any(|&(_, _, reason, count)| reason == Refusal::Panic && count == 1));
    let source = bench.counts.source(SourceIndex(0)).unwrap();
    assert_eq!(source.samples(SampleResult::Accepted), 2);
    assert_eq!(source.samples(SampleResult::SetAside), 1);
    bench.end().unwrap();
}

#[test]
fn what_lay_in_the_future_of_a_slow_clock_is_a_sample_once_the_clock_is_set() {
    let folder = tempfile::tempdir().unwrap();
    let slow = Time(1_780_000_000_000);
    let right = slow + Span::hours(2);
    let clock = Arc::new(HandClock::at(slow));
    let bench = Bench::with_clock(folder.path(), 0, &options(), Arc::clone(&clock) as _);
    let dated = |value, time| {
        let mut dated = message(value);
        dated.samples[0].stated = Stated::At(time);
        dated
    };
    let mark = Arc::new(Watermark::default());
    let messages = vec![
        dated(1.0, right - Span::minutes(1)),
        dated(2.0, right + Span::hours(1)),
        message(3.0),
    ];
    bench.send(1, messages, Receipt::UpTo(Arc::clone(&mark), 1));
    until("the receipt", || mark.reached() == 1);
    assert_eq!(values(folder.path(), &bench.property), [3.0]);
    clock.set(right);
    until("what is set aside to be judged again", || {
        values(folder.path(), &bench.property) == [3.0, 1.0]
    });
    let property = Arc::clone(&bench.property);
    bench.end().unwrap();
    let (history, _) = History::open(folder.path(), &options()).unwrap();
    let aside = history.look().set_aside(None, 0, 10).unwrap();
    assert_eq!(aside.len(), 1, "what lies ahead of the new clock too stays set aside");
    assert_eq!(aside[0].set_aside.message.samples[0].value.number(), Some(2.0));
    let taken = history
        .look()
        .records(0)
        .filter_map(|r| match r.unwrap().entry {
            Entry::Batch { messages, .. } => Some(messages),
            _ => None,
        })
        .flatten()
        .last()
        .unwrap();
    assert_eq!(taken.received, right, "with the new clock's time of arrival");
    assert_eq!(property.stations.len(), 1);
}

#[test]
fn the_third_failure_inside_within_an_hour_ends_the_process() {
    let folder = tempfile::tempdir().unwrap();
    let bench = Bench::start(folder.path(), 0, &options());
    bench.push(1, POISON).unwrap();
    bench.push(1, POISON).unwrap();
    assert!(bench.push(1, POISON).is_err(), "no receipt for the third");
    assert!(bench.end().is_err());
}

#[test]
fn a_full_device_gives_no_receipts_and_the_same_batch_is_kept() {
    let folder = tempfile::tempdir().unwrap();
    // Room for very little.
    let small = Options { max_pages: Some(60), ..options() };
    let bench = Bench::start(folder.path(), 0, &small);
    let mark = Arc::new(Watermark::default());
    let mut sent = 0_u64;
    let mut random = fastrand::Rng::with_seed(5);
    until("the device to be full", || {
        if sent < 5_000 && bench.intake.as_ref().unwrap().capacity() > 100 {
            sent += 1;
            let messages = (0..200).map(|_| message(random.f64())).collect();
            bench.send(1, messages, Receipt::UpTo(Arc::clone(&mark), sent));
        }
        bench.snapshots.borrow().history.fault.is_some()
    });
    let reached = mark.reached();
    assert!(reached < sent, "what came last has no receipt");
    assert!(!mark.failed(), "the batch is kept, not lost");
    bench.stop.cancel();
    let property = Arc::clone(&bench.property);
    assert!(bench.end().is_err(), "a stop does not pretend that all was written");
    let kept = values(folder.path(), &property).len() as u64;
    assert!(kept >= reached * 200, "{kept} kept, {reached} messages acknowledged");
    assert!(mark.failed(), "the session learns that the rest will not become durable");
}

#[test]
fn a_token_is_good_from_the_answer_on_and_worthless_after_it_is_revoked() {
    let folder = tempfile::tempdir().unwrap();
    let bench = Bench::start(folder.path(), 0, &options());
    let owner = bench.property.stations[0].id.clone();
    let (text, token) = crate::tokens::make(false, &owner, Time(0)).unwrap();
    assert_eq!(text.len(), 48);
    let (reply, done) = oneshot::channel();
    bench.commands.blocking_send(Command::AddToken { token: token.clone(), reply }).unwrap();
    assert_eq!(done.blocking_recv().unwrap(), Ok(()));
    let (reply, done) = oneshot::channel();
    let command = Command::RevokeTokens { gateway: false, owner: owner.clone(), reply };
    bench.commands.blocking_send(command).unwrap();
    assert_eq!(done.blocking_recv().unwrap(), Ok(1));
    let property = Arc::clone(&bench.property);
    bench.end().unwrap();
    let (history, _) = History::open(folder.path(), &options()).unwrap();
    let kept = history.look().tokens().unwrap();
    assert_eq!(kept.len(), 1);
    assert_eq!(kept[0].token.hash, token.hash);
    assert!(kept[0].revoked.is_some());
    let tokens = Tokens::of(Vec::new(), &property, &history);
    assert!(tokens.credentials().verify(text.as_bytes()).is_none(), "revoked ones are not loaded");
}
