//! One connection to one database.

use super::rows::COLUMNS;
use crate::forwarders::port::{Link, Piece, Verdict, Verdicts};
use bytes::Bytes;
use futures_util::SinkExt as _;
use futures_util::future::BoxFuture;
use std::collections::BTreeSet;
use tokio::task::JoinHandle;
use tokio_postgres::error::SqlState;
use tokio_postgres::{Client, Config, Error, NoTls};

/// A connection, opened when it is needed.
pub(super) struct Database {
    config: Config,
    name: String,
    schema: String,
    open: Option<Open>,
}

struct Open {
    client: Client,
    driver: JoinHandle<()>,
    /// Whether the table has partitions of ours.
    partitioned: bool,
    months: BTreeSet<String>,
}

impl Drop for Open {
    fn drop(&mut self) {
        self.driver.abort();
    }
}

impl Database {
    pub(super) const fn new(config: Config, name: String, schema: String) -> Self {
        Self { config, name, schema, open: None }
    }

    async fn connect(&self) -> Result<Open, Error> {
        let (client, connection) = self.config.connect(NoTls).await?;
        let driver = tokio::spawn(async move {
            // How it ended is told by the question that was under way.
            connection.await.ok();
        });
        let schema = &self.schema;
        let mut kind = relation(&client, schema, "reading").await?;
        if kind.is_none() {
            made(client.batch_execute(&tables(schema)).await)?;
            kind = relation(&client, schema, "reading").await?;
        }
        // A plain table is one that an extension cuts, or somebody made by hand.
        let partitioned = kind.as_deref() == Some("p");
        let staging =
            format!("CREATE TEMP TABLE staging (LIKE {schema}.reading) ON COMMIT DELETE ROWS");
        client.batch_execute(&staging).await?;
        Ok(Open { client, driver, partitioned, months: BTreeSet::new() })
    }

    /// A connection, and a table with room for the months of a piece.
    async fn ready(&mut self, piece: &Piece) -> Result<Open, Error> {
        let mut open = match self.open.take() {
            Some(open) if !open.client.is_closed() => open,
            _ => self.connect().await?,
        };
        if open.partitioned {
            for month in piece.place.split(' ').filter(|m| !m.is_empty()) {
                if !open.months.contains(month) {
                    self.partition(&open.client, month).await?;
                    open.months.insert(month.to_owned());
                }
            }
        }
        Ok(open)
    }

    /// Makes the partition of a month, unless it is there, or its time belongs to one that
    /// somebody made by hand.
    async fn partition(&self, client: &Client, month: &str) -> Result<(), Error> {
        let schema = &self.schema;
        let Some(name) = partition_name(month) else { return Ok(()) };
        // Who may not make tables may still write into those that are there.
        if relation(client, schema, &name).await?.is_some() {
            return Ok(());
        }
        let Some(text) = partition(schema, &name, month) else { return Ok(()) };
        match made(client.batch_execute(&text).await) {
            // Its time overlaps another's, or only somebody else may make one: whether there
            // is room for the readings shows when they are written.
            Err(error)
                if error.code().is_some_and(|code| {
                    [SqlState::INVALID_OBJECT_DEFINITION, SqlState::INSUFFICIENT_PRIVILEGE]
                        .contains(code)
                }) =>
            {
                Ok(())
            }
            result => result,
        }
    }

    async fn write(&mut self, open: &mut Open, piece: &Piece) -> Result<(), Error> {
        let transaction = open.client.transaction().await?;
        let sink = transaction.copy_in(&format!("COPY staging ({COLUMNS}) FROM STDIN")).await?;
        futures_util::pin_mut!(sink);
        sink.send(Bytes::clone(&piece.body)).await?;
        sink.finish().await?;
        transaction.batch_execute(&upsert(&self.schema)).await?;
        transaction.commit().await
    }

    async fn deliver(&mut self, piece: &Piece) -> Verdict {
        let mut open = match self.ready(piece).await {
            Ok(open) => open,
            Err(error) => return unready(&self.name, &error),
        };
        match self.write(&mut open, piece).await {
            Ok(()) => {
                self.open = Some(open);
                Verdict::Delivered
            }
            Err(error) => judged(&self.name, &error),
        }
    }
}

/// What a name of a schema stands for: `r` a table, `p` one with partitions; none for
/// nothing.
async fn relation(client: &Client, schema: &str, name: &str) -> Result<Option<String>, Error> {
    let row = client
        .query_opt(
            "SELECT c.relkind::text FROM pg_class c JOIN pg_namespace n ON n.oid = c.relnamespace
             WHERE n.nspname = $1 AND c.relname = $2",
            &[&schema, &name],
        )
        .await?;
    Ok(row.map(|row| row.get(0)))
}

/// Of several properties that begin at the same moment one makes what all want; the others
/// are told that it is there, in one of these ways.
fn made(result: Result<(), Error>) -> Result<(), Error> {
    match result {
        Err(error)
            if error.code().is_some_and(|code| {
                [
                    SqlState::UNIQUE_VIOLATION,
                    SqlState::DUPLICATE_SCHEMA,
                    SqlState::DUPLICATE_TABLE,
                    SqlState::DUPLICATE_OBJECT,
                ]
                .contains(code)
            }) =>
        {
            Ok(())
        }
        result => result,
    }
}

/// The table, as `SCHEMA.md` describes it.
fn tables(schema: &str) -> String {
    format!(
        "CREATE SCHEMA IF NOT EXISTS {schema};
         CREATE TABLE IF NOT EXISTS {schema}.reading (
             property uuid NOT NULL,
             station text NOT NULL,
             instrument text NOT NULL,
             quantity text NOT NULL,
             statistic text NOT NULL,
             \"over\" text NOT NULL,
             period text NOT NULL,
             time timestamptz NOT NULL,
             value double precision,
             unit text NOT NULL,
             flag text NOT NULL,
             reasons text[] NOT NULL,
             revision integer NOT NULL,
             id text NOT NULL,
             PRIMARY KEY (property, station, instrument, quantity, statistic, \"over\", period, time)
         ) PARTITION BY RANGE (time)"
    )
}

/// The name of the partition of a month `YYYY-MM`.
fn partition_name(month: &str) -> Option<String> {
    let (year, number) = month.split_once('-')?;
    let digits = |text: &str| !text.is_empty() && text.chars().all(|c| c.is_ascii_digit());
    (digits(year) && digits(number)).then(|| format!("reading_{year}_{number}"))
}

/// A partition for a month `YYYY-MM`.
fn partition(schema: &str, name: &str, month: &str) -> Option<String> {
    let (year, number) = month.split_once('-')?;
    let (year, number): (i32, u32) = (year.parse().ok()?, number.parse().ok()?);
    // Both ends spelled out: to add a month would be done in the session's time zone.
    let (next_year, next) = if number == 12 { (year + 1, 1) } else { (year, number + 1) };
    Some(format!(
        "CREATE TABLE IF NOT EXISTS {schema}.{name} PARTITION OF {schema}.reading
         FOR VALUES FROM ('{year:04}-{number:02}-01Z') TO ('{next_year:04}-{next:02}-01Z')"
    ))
}

fn upsert(schema: &str) -> String {
    format!(
        "INSERT INTO {schema}.reading ({COLUMNS}) SELECT {COLUMNS} FROM staging
         ON CONFLICT (property, station, instrument, quantity, statistic, \"over\", period, time)
         DO UPDATE SET value = excluded.value, unit = excluded.unit, flag = excluded.flag,
             reasons = excluded.reasons, revision = excluded.revision, id = excluded.id
         WHERE excluded.revision > {schema}.reading.revision"
    )
}

impl Link for Database {
    fn attempt<'a>(&'a mut self, pieces: &'a [Piece], verdicts: &'a Verdicts) -> BoxFuture<'a, ()> {
        Box::pin(async move {
            for piece in pieces {
                let verdict = self.deliver(piece).await;
                let delivered = verdict == Verdict::Delivered;
                verdicts.give(verdict);
                if !delivered {
                    break;
                }
            }
        })
    }
}

/// What the server said, or why it said nothing.
fn reason(name: &str, error: &Error) -> String {
    if let Some(told) = error.as_db_error() {
        return format!("{name}: {}", told.message());
    }
    let cause = std::error::Error::source(error);
    let cause = cause.map_or_else(String::new, |c| format!(": {c}"));
    format!("{name}: {error}{cause}")
}

/// What an error means before any reading was sent: never that one is refused.
fn unready(name: &str, error: &Error) -> Verdict {
    let reason = reason(name, error);
    match error.code().and_then(|code| code.code().get(..2)) {
        Some("0A" | "22" | "23" | "28" | "3D" | "3F" | "42") => Verdict::paused(reason),
        _ => Verdict::later(reason),
    }
}

/// What an error means, by the class of its SQLSTATE (PostgreSQL documentation,
/// appendix A): 22 and 23 are the data's own fault; 28, 3D, 3F and 42 somebody must mend.
fn judged(name: &str, error: &Error) -> Verdict {
    let Some(told) = error.as_db_error() else { return Verdict::later(reason(name, error)) };
    let reason = reason(name, error);
    match told.code().code().get(..2) {
        // No constraint of a table's: no partition has room for the time.
        Some("23") if *told.code() == SqlState::CHECK_VIOLATION && told.constraint().is_none() => {
            Verdict::paused(format!("{reason}; make a partition for it"))
        }
        Some("22" | "23") => Verdict::refused(0, told.message()),
        Some("28" | "3D" | "3F" | "42") => Verdict::paused(reason),
        _ => Verdict::later(reason),
    }
}
