//! `GET /v1/readings`: what is kept, bounded in rows and time.
//!
//! A question that would take too long or give too much is cut between two instants and
//! tells where to go on, so that no reader holds the store for long.

use super::Page;
use super::problem::Problem;
use super::query::{Format, Query};
use crate::lines::reading::{CSV_HEADING, ReadingLines, Sorted, of_names};
use crate::snapshot::View;
use crate::summary::{Step, Summary};
use axum::body::{Body, Bytes};
use axum::extract::State;
use axum::extract::rejection::QueryRejection;
use axum::http::{HeaderValue, header};
use axum::response::Response;
use futures_util::stream;
use history::{Reader, Selection};
use observation::{Reading, Series, SeriesIndex, Span, Time};
use std::convert::Infallible;
use std::path::PathBuf;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};
use tokio::sync::{OwnedSemaphorePermit, Semaphore};

/// Most rows of one answer.
pub(super) const MOST_ROWS: usize = 100_000;
/// After this long a question is cut.
const LONG: Duration = Duration::from_secs(5);
/// Questions at a time, their answers included.
const AT_A_TIME: usize = 8;
/// About how many bytes leave at a time.
const CHUNK: usize = 32 * 1_024;

/// What is kept, with a few open readers.
pub(super) struct Archive {
    directory: PathBuf,
    sources: Vec<String>,
    readers: Mutex<Vec<Desk>>,
    seats: Arc<Semaphore>,
}

/// A reader with the words for its rows.
struct Desk {
    reader: Reader,
    lines: Arc<ReadingLines>,
}

/// The rows of one answer.
enum Rows {
    Readings(Vec<Reading>),
    Steps(Vec<Step>, Vec<Series>),
}

/// An answer without its text.
struct Answer {
    rows: Rows,
    lines: Arc<ReadingLines>,
    next: Option<Time>,
}

impl Archive {
    pub(super) fn new(view: &View) -> Self {
        Self {
            directory: view.settings.history.directory.clone(),
            sources: view.counts.sources().iter().map(|s| s.name.clone()).collect(),
            readers: Mutex::new(Vec::new()),
            seats: Arc::new(Semaphore::new(AT_A_TIME)),
        }
    }

    fn take(&self, view: &View) -> Result<Desk, Problem> {
        let held = self.readers.lock().unwrap_or_else(PoisonError::into_inner).pop();
        if let Some(desk) = held {
            return Ok(desk);
        }
        let snapshot = view.snapshot();
        let reader =
            Reader::open(&self.directory, &snapshot.property, &snapshot.series, &self.sources)
                .map_err(|e| Problem::unavailable(e.to_string()))?
                .noting(view.counts.noticed());
        let lines = Arc::new(of_names(reader.names()));
        Ok(Desk { reader, lines })
    }

    /// A place among those who may ask at a time.
    pub(super) async fn seat(&self) -> Result<OwnedSemaphorePermit, Problem> {
        tokio::time::timeout(LONG, Arc::clone(&self.seats).acquire_owned())
            .await
            .ok()
            .and_then(Result::ok)
            .ok_or_else(|| Problem::unavailable("too many questions at a time; ask again later"))
    }

    /// Looks through a reader; one that failed is not used again.
    pub(super) fn with_reader<T>(
        &self,
        view: &View,
        look: impl FnOnce(&history::Look<'_>) -> Result<T, Problem>,
    ) -> Result<T, Problem> {
        let desk = self.take(view)?;
        let answer = look(&desk.reader.look());
        if answer.is_ok() {
            self.give_back(desk);
        }
        answer
    }

    fn give_back(&self, desk: Desk) {
        let mut readers = self.readers.lock().unwrap_or_else(PoisonError::into_inner);
        if readers.len() < AT_A_TIME {
            readers.push(desk);
        }
    }
}

/// The answer.
pub(super) async fn readings(
    State(page): State<Arc<Page>>,
    pairs: Result<axum::extract::Query<Vec<(String, String)>>, QueryRejection>,
) -> Result<Response, Problem> {
    let pairs = pairs.map_err(|e| Problem::bad_request(e.body_text()))?.0;
    let query = Query::parse(&pairs, page.view.clock.now())?;
    let seat = page.archive.seat().await?;
    let asked = query.clone();
    let answer = tokio::task::spawn_blocking(move || {
        let desk = page.archive.take(&page.view)?;
        let answer = look(&desk, &asked);
        // A reader that failed is not used again.
        if answer.is_ok() {
            page.archive.give_back(desk);
        }
        answer
    })
    .await
    .map_err(|_| Problem::unavailable("reading the history failed inside"))??;
    Ok(written(&query, answer, seat))
}

/// Fetches what was asked for, up to the limits.
fn look(desk: &Desk, query: &Query) -> Result<Answer, Problem> {
    let look = desk.reader.look();
    if let Some(station) = &query.station
        && look.names().station_index(station).is_none()
    {
        return Err(Problem::bad_request("there is no such station"));
    }
    let selection = Selection {
        station: query.station.clone(),
        quantity: query.quantity,
        ..Selection::between(query.from, query.to)
    };
    let mut gathering = match query.step {
        Some(step) => Gathering::Steps(Summary::new(step), Vec::new()),
        None => Gathering::Readings(Vec::new()),
    };
    let started = Instant::now();
    let mut cut = None;
    let unreadable = |e: history::ReadError| Problem::unavailable(e.to_string());
    let mut walk = look.walk(&selection).map_err(unreadable)?;
    while let Some(part) = walk.next_part().map_err(unreadable)? {
        for kept in part {
            gathering.take(&kept.reading, look.names());
        }
        let last = part.last().map(|kept| kept.reading.time);
        if !walk.is_done() && (gathering.rows() > MOST_ROWS || started.elapsed() > LONG) {
            // Readings come in the order of their times: all up to this one are here.
            cut = last.map(|time| time + Span(1));
            break;
        }
    }
    if cut.is_some() && gathering.rows() == 0 {
        return Err(Problem::bad_request(
            "one step holds more than can be read in time; ask for one station or quantity, or a shorter step",
        ));
    }
    let (rows, next) = gathering.finish(cut, &desk.lines, look.names());
    Ok(Answer { rows, lines: Arc::clone(&desk.lines), next })
}

enum Gathering {
    Readings(Vec<Reading>),
    Steps(Summary, Vec<Step>),
}

impl Gathering {
    fn take(&mut self, reading: &Reading, names: &history::Names) {
        match self {
            Self::Readings(rows) => rows.push(*reading),
            Self::Steps(summary, done) => {
                if let Some(series) = names.series(reading.series) {
                    summary.take(reading, series, names, done);
                }
            }
        }
    }

    fn rows(&self) -> usize {
        match self {
            Self::Readings(rows) => rows.len(),
            Self::Steps(_, done) => done.len(),
        }
    }

    /// The rows that are complete, and where to go on. `cut` is an instant of which some
    /// readings may be missing, while all before it are there.
    fn finish(
        self,
        cut: Option<Time>,
        lines: &ReadingLines,
        names: &history::Names,
    ) -> (Rows, Option<Time>) {
        match self {
            Self::Readings(mut rows) => {
                let mut next = cut;
                if let Some(first_over) = rows.get(MOST_ROWS) {
                    let over = first_over.time;
                    next = Some(next.map_or(over, |n| n.min(over)));
                }
                // If one instant alone fills an answer it is given whole.
                let whole = rows.first().map(|r| r.time);
                if let Some(end) = next.filter(|n| Some(*n) != whole) {
                    rows.retain(|r| r.time < end);
                }
                let mut ordered = Vec::with_capacity(rows.len());
                let mut sorted = Sorted::default();
                let mut each = |reading: &Reading| {
                    ordered.push(*reading);
                    Ok::<(), Infallible>(())
                };
                for reading in rows {
                    let Ok(()) = sorted.take(lines, reading, &mut each);
                }
                let Ok(()) = sorted.finish(lines, &mut each);
                let next = if next == whole { next.map(|n| n + Span(1)) } else { next };
                (Rows::Readings(ordered), next)
            }
            Self::Steps(mut summary, mut done) => {
                if cut.is_none() {
                    summary.finish(names, &mut done);
                }
                let mut next = cut.and_then(|_| done.last().map(|s| s.end + Span(1)));
                if let Some(first_over) = done.get(MOST_ROWS) {
                    let over = first_over.end;
                    if done.first().is_some_and(|first| first.end < over) {
                        done.retain(|s| s.end < over);
                        next = done.last().map(|s| s.end + Span(1));
                    }
                }
                done.sort_by_key(|s| (s.end, lines.rank(s.series)));
                // The names of what is there, so that rows can be written without the store.
                let highest = done.iter().map(|s| s.series.0).max().map_or(0, |n| n + 1);
                let series: Vec<Series> =
                    (0..highest).filter_map(|n| names.series(SeriesIndex(n)).cloned()).collect();
                (Rows::Steps(done, series), next)
            }
        }
    }
}

/// The answer as text that is made while it leaves.
fn written(query: &Query, answer: Answer, seat: OwnedSemaphorePermit) -> Response {
    let next = answer.next.map(|from| query.rest(from));
    let kind = match query.format {
        Format::Json => "application/json",
        Format::Jsonl => "application/x-ndjson",
        Format::Csv => "text/csv; charset=utf-8",
    };
    let format = query.format;
    let link = next
        .as_ref()
        .and_then(|path| HeaderValue::from_str(&format!("<{path}>; rel=\"next\"")).ok());
    let writing = Writing { answer, format, next, place: 0, state: Writ::Head, _seat: seat };
    let body = Body::from_stream(stream::unfold(writing, |mut writing| async move {
        let chunk = writing.chunk()?;
        Some((Ok::<_, Infallible>(chunk), writing))
    }));
    let mut response = Response::new(body);
    let headers = response.headers_mut();
    headers.insert(header::CONTENT_TYPE, HeaderValue::from_static(kind));
    if let Some(link) = link {
        headers.insert(header::LINK, link);
    }
    response
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum Writ {
    Head,
    Rows,
    Done,
}

struct Writing {
    answer: Answer,
    format: Format,
    next: Option<String>,
    place: usize,
    state: Writ,
    _seat: OwnedSemaphorePermit,
}

impl Writing {
    fn chunk(&mut self) -> Option<Bytes> {
        let mut out = Vec::with_capacity(CHUNK + 1_024);
        if self.state == Writ::Done {
            return None;
        }
        if self.state == Writ::Head {
            self.state = Writ::Rows;
            match (self.format, &self.answer.rows) {
                (Format::Json, _) => out.extend_from_slice(b"{\"readings\":["),
                (Format::Jsonl, _) => {}
                (Format::Csv, Rows::Readings(_)) => out.extend_from_slice(CSV_HEADING.as_bytes()),
                (Format::Csv, Rows::Steps(..)) => {
                    out.extend_from_slice(crate::summary::CSV_HEADING.as_bytes());
                }
            }
        }
        while out.len() < CHUNK {
            if !self.row(&mut out) {
                self.state = Writ::Done;
                if self.format == Format::Json {
                    let next = serde_json::Value::from(self.next.clone());
                    out.extend_from_slice(format!("],\"next\":{next}}}\n").as_bytes());
                }
                break;
            }
            self.place += 1;
        }
        Some(Bytes::from(out))
    }

    /// Appends the next row; false at the end.
    fn row(&self, out: &mut Vec<u8>) -> bool {
        let comma = self.format == Format::Json && self.place > 0;
        match &self.answer.rows {
            Rows::Readings(rows) => {
                let Some(reading) = rows.get(self.place) else { return false };
                if comma {
                    out.push(b',');
                }
                match self.format {
                    Format::Json => self.answer.lines.object(reading, out),
                    Format::Jsonl => self.answer.lines.json(reading, out),
                    Format::Csv => self.answer.lines.csv(reading, out),
                }
            }
            Rows::Steps(rows, series) => {
                let Some(step) = rows.get(self.place) else { return false };
                if comma {
                    out.push(b',');
                }
                let Some(series) = series.get(step.series.0 as usize) else { return true };
                match self.format {
                    Format::Json => step.object(series, out),
                    Format::Jsonl => {
                        step.object(series, out);
                        out.push(b'\n');
                    }
                    Format::Csv => step.csv(series, out),
                }
            }
        }
        true
    }
}
