//! One connection to one database.

use super::rows::COLUMNS;
use crate::forwarders::port::{Link, Piece, Verdict};
use bytes::Bytes;
use futures_util::SinkExt as _;
use futures_util::future::BoxFuture;
use std::collections::BTreeSet;
use tokio::task::JoinHandle;
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
        let mut open = Open { client, driver, partitioned: false, months: BTreeSet::new() };
        let schema = &self.schema;
        let there = open
            .client
            .query_opt(
                "SELECT c.relkind::text FROM pg_class c JOIN pg_namespace n ON n.oid = c.relnamespace
                 WHERE n.nspname = $1 AND c.relname = 'reading'",
                &[schema],
            )
            .await?;
        if let Some(row) = there {
            // A plain table is one that an extension cuts, or somebody made by hand.
            open.partitioned = row.get::<_, String>(0) == "p";
        } else {
            open.client.batch_execute(&tables(schema)).await?;
            open.partitioned = true;
        }
        open.client
            .batch_execute(&format!(
                "CREATE TEMP TABLE staging (LIKE {schema}.reading) ON COMMIT DELETE ROWS"
            ))
            .await?;
        Ok(open)
    }

    async fn write(&mut self, piece: &Piece) -> Result<(), Error> {
        let mut open = match self.open.take() {
            Some(open) if !open.client.is_closed() => open,
            _ => self.connect().await?,
        };
        let schema = &self.schema;
        if open.partitioned {
            for month in piece.place.split(' ').filter(|m| !m.is_empty()) {
                if !open.months.contains(month)
                    && let Some(partition) = partition(schema, month)
                {
                    open.client.batch_execute(&partition).await?;
                    open.months.insert(month.to_owned());
                }
            }
        }
        let transaction = open.client.transaction().await?;
        let sink = transaction.copy_in(&format!("COPY staging ({COLUMNS}) FROM STDIN")).await?;
        futures_util::pin_mut!(sink);
        sink.send(Bytes::clone(&piece.body)).await?;
        sink.finish().await?;
        transaction.batch_execute(&upsert(schema)).await?;
        transaction.commit().await?;
        self.open = Some(open);
        Ok(())
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

/// A partition for a month `YYYY-MM`.
fn partition(schema: &str, month: &str) -> Option<String> {
    let (year, number) = month.split_once('-')?;
    let (year, number): (i32, u32) = (year.parse().ok()?, number.parse().ok()?);
    let (next_year, next) = if number == 12 { (year + 1, 1) } else { (year, number + 1) };
    Some(format!(
        "CREATE TABLE IF NOT EXISTS {schema}.reading_{year:04}_{number:02}
         PARTITION OF {schema}.reading
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
    fn attempt<'a>(&'a mut self, pieces: &'a [Piece]) -> BoxFuture<'a, Vec<Verdict>> {
        Box::pin(async move {
            let mut verdicts = Vec::with_capacity(pieces.len());
            for piece in pieces {
                let verdict = match self.write(piece).await {
                    Ok(()) => Verdict::Delivered,
                    Err(error) => judged(&self.name, &error),
                };
                let delivered = verdict == Verdict::Delivered;
                verdicts.push(verdict);
                if !delivered {
                    break;
                }
            }
            verdicts
        })
    }
}

/// What an error means, by the class of its SQLSTATE (PostgreSQL documentation,
/// appendix A): 22 and 23 are the data's own fault; 28, 3D, 3F and 42 somebody must mend.
fn judged(name: &str, error: &Error) -> Verdict {
    let Some(told) = error.as_db_error() else {
        let cause = std::error::Error::source(error);
        let cause = cause.map_or_else(String::new, |c| format!(": {c}"));
        return Verdict::later(format!("{name}: {error}{cause}"));
    };
    let reason = format!("{name}: {}", told.message());
    match told.code().code().get(..2) {
        Some("22" | "23") => Verdict::refused(0, told.message()),
        Some("28" | "3D" | "3F" | "42") => Verdict::paused(reason),
        _ => Verdict::later(reason),
    }
}
