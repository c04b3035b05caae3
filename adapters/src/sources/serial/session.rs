//! One opening of a device, until it is gone or silent.

use super::lines::{Item, Lines};
use super::{Reading, Serial, device};
use crate::payload::senml::Notation;
use crate::payload::{Decoded, LONGEST_LINE, Refused, shown};
use crate::port::{Context, End, State};
use crate::sources::early::Early;
use crate::sources::handover::Handover;
use crate::sources::telling::tell;
use observation::Refusal;
use std::time::Duration;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::time::Instant;
use tokio_serial::SerialStream;

/// A session that lasted this long was useful even without a message.
const LONG: Duration = Duration::from_secs(30);
/// How long a line may wait for the store before the device is closed.
const PATIENCE: Duration = Duration::from_secs(30);
/// How long an answer may take to leave.
const WRITE: Duration = Duration::from_secs(2);
/// How long a stopping session waits for commits.
const LAST_COMMITS: Duration = Duration::from_millis(400);
/// Most answers that are owed; a station has a few on their way.
const MOST_OWED: usize = 65_536;

/// Runs one session.
pub(super) async fn run(serial: &Serial, context: &Context) -> End {
    let mut port = match device::open(serial) {
        Ok(port) => port,
        Err(end) => return end,
    };
    let began = Instant::now();
    let mut session = Session {
        serial,
        context,
        lines: Lines::new(LONGEST_LINE),
        settled: began + serial.settle,
        is_first: true,
        early: Early::begin(&context.property, began),
        handover: Handover::begin(context),
        last_byte: began,
        unread_since: None,
        is_unreadable: false,
        answers: Vec::new(),
    };
    context.watch.state(context.source, State::Up);
    let reason = session.run(&mut port).await;
    // Closed before anything else: else a device that returns gets another number.
    drop(port);
    session.drop_unfinished();
    let stopped = context.stop.is_cancelled();
    End {
        reason: if stopped { "stopped".to_owned() } else { format!("{}: {reason}", serial.device) },
        fault: false,
        useful: stopped || session.handover.carried() || began.elapsed() >= LONG,
    }
}

struct Session<'a> {
    serial: &'a Serial,
    context: &'a Context,
    lines: Lines,
    /// Until then nothing is believed.
    settled: Instant,
    /// Whether the next line end ends what may have begun before the opening.
    is_first: bool,
    early: Early,
    handover: Handover<Option<u64>>,
    last_byte: Instant,
    /// When the first byte came since the last good line.
    unread_since: Option<Instant>,
    is_unreadable: bool,
    answers: Vec<u8>,
}

impl Session<'_> {
    async fn run(&mut self, port: &mut SerialStream) -> String {
        let mut buffer = vec![0_u8; 8 << 10];
        loop {
            if let Err(reason) = self.answer(port).await {
                return reason;
            }
            if self.handover.failed() {
                return "a line could not be stored".to_owned();
            }
            if self.handover.owing() > MOST_OWED {
                return "more lines wait for their commit than can be answered".to_owned();
            }
            let deadline = self.last_byte + self.serial.silence;
            tokio::select! {
                biased;
                () = self.context.stop.cancelled() => {
                    self.stop(port).await;
                    return String::new();
                }
                () = self.handover.changed() => {}
                read = port.read(&mut buffer) => match read {
                    // The end of the file is the end of the device, for ever.
                    Ok(0) => return "the device is gone".to_owned(),
                    Ok(count) => {
                        self.bytes(buffer.get(..count).unwrap_or_default());
                        if let Err(unsent) = self.handover.send(self.context, PATIENCE).await {
                            return unsent.reason(PATIENCE);
                        }
                    }
                    Err(error) => return format!("the device is gone: {error}"),
                },
                () = tokio::time::sleep_until(deadline) => {
                    return format!("no byte for {} s", self.serial.silence.as_secs());
                }
            }
        }
    }

    fn bytes(&mut self, bytes: &[u8]) {
        let now = Instant::now();
        self.last_byte = now;
        self.context.watch.arrived(self.context.source, &self.serial.device, bytes);
        if now < self.settled {
            return;
        }
        self.unread_since.get_or_insert(now);
        let mut lines = std::mem::replace(&mut self.lines, Lines::new(0));
        lines.take(bytes, |item| self.item(&item, now));
        self.lines = lines;
        let unread = self.unread_since.is_some_and(|since| now - since >= self.serial.unreadable);
        if unread && !self.is_unreadable {
            self.is_unreadable = true;
            let reason = format!(
                "{}: bytes, but no good line for {} s: another speed than {} baud, inverted \
                 levels, a missing common ground, or another kind of lines",
                self.serial.device,
                self.serial.unreadable.as_secs(),
                self.serial.baud
            );
            self.context.watch.state(self.context.source, State::Fault(reason));
        }
    }

    fn item(&mut self, item: &Item<'_>, now: Instant) {
        if self.is_first {
            self.is_first = false;
            if *item != Item::Line("") {
                self.refuse(Refusal::Fragment, "the first line after opening");
            }
            return;
        }
        match item {
            Item::TooLong => {
                self.refuse(Refusal::TooLong, &format!("a line of more than {LONGEST_LINE} bytes"));
            }
            Item::BadBytes(bytes) => {
                let text = shown(&String::from_utf8_lossy(bytes));
                self.refuse(Refusal::Malformed, &format!("a line that is not UTF-8: {text}"));
            }
            Item::Line(line) if line.trim().is_empty() => {}
            Item::Line(line) => self.line(line, now),
        }
    }

    fn line(&mut self, line: &str, now: Instant) {
        let reader = &self.serial.reader;
        let bytes = line.as_bytes();
        let read = match &self.serial.reading {
            Reading::Pairs(station, checksum) => {
                reader.key_value(*station, *checksum, bytes).map(|one| vec![one])
            }
            Reading::Csv(columns) => reader.csv(columns, bytes).map(|one| vec![one]),
            Reading::Nmea(sentences) => reader.nmea(sentences, bytes).map(|one| vec![one]),
            Reading::Senml(grant) => reader.senml(grant, Notation::Json, bytes),
        };
        match read {
            Ok(all) => {
                self.unread_since = None;
                if self.is_unreadable {
                    self.is_unreadable = false;
                    self.context.watch.state(self.context.source, State::Up);
                }
                for decoded in all {
                    self.add(decoded, now);
                }
            }
            Err(mut refused) => {
                refused.station = refused.station.or(self.serial.station);
                tell(self.context, line, &refused);
            }
        }
    }

    fn add(&mut self, decoded: Decoded, now: Instant) {
        let sequence = decoded.sequence.filter(|_| self.serial.acknowledge);
        let early = self.early.is(decoded.station, now);
        self.handover.add(decoded.into_message(self.context.source, early, None));
        if sequence.is_some() {
            self.handover.owe(sequence);
        }
    }

    fn refuse(&self, reason: Refusal, detail: &str) {
        let station = self.serial.station;
        let refused = Refused { station, reason, detail: detail.to_owned() };
        tell(self.context, "", &refused);
    }

    /// Answers what is durable: `+SEQUENCE` CR LF.
    async fn answer(&mut self, port: &mut SerialStream) -> Result<(), String> {
        while let Some(sequence) = self.handover.due() {
            if let Some(sequence) = sequence {
                self.answers.extend_from_slice(format!("+{sequence}\r\n").as_bytes());
            }
        }
        if self.answers.is_empty() {
            return Ok(());
        }
        let written = tokio::time::timeout(WRITE, port.write_all(&self.answers)).await;
        self.answers.clear();
        match written {
            Ok(Ok(())) => Ok(()),
            Ok(Err(error)) => Err(format!("the device takes no answer: {error}")),
            Err(_) => Err(format!("the device took no answer for {} s", WRITE.as_secs())),
        }
    }

    /// Answers what becomes durable within a moment.
    async fn stop(&mut self, port: &mut SerialStream) {
        let last = Instant::now() + LAST_COMMITS;
        while self.handover.owing() > 0 && !self.handover.failed() {
            tokio::select! {
                () = self.handover.changed() => {}
                () = tokio::time::sleep_until(last) => break,
            }
            tokio::time::timeout(LAST_COMMITS / 2, self.answer(port)).await.ok();
        }
    }

    fn drop_unfinished(&mut self) {
        if self.lines.drop_begun() && !self.is_first {
            self.refuse(Refusal::Fragment, "an unfinished last line");
        }
    }
}
