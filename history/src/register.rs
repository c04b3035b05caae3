//! The tables in which people find the names behind the numbers. The log holds the
//! same, and it is the log that is read.

use crate::entry::Head;
use crate::names::{ChannelName, Known, SeriesName};
use crate::record::{Row, encode_names, kind};
use crate::row;
use observation::{Property, Quantity, Series, Span, Statistic};
use rusqlite::{Connection, OptionalExtension, params};

pub(crate) fn insert(connection: &Connection, known: &Known) -> rusqlite::Result<()> {
    for (number, id) in &known.stations {
        connection.execute(
            "INSERT OR REPLACE INTO station (number, id) VALUES (?1, ?2)",
            params![number, id],
        )?;
    }
    for (number, channel) in &known.channels {
        connection.execute(
            "INSERT OR REPLACE INTO channel (number, station, name, unit) VALUES (?1, ?2, ?3, ?4)",
            params![number, channel.station, channel.name, channel.unit],
        )?;
    }
    for (number, name) in &known.series {
        let series = &name.series;
        connection.execute(
            "INSERT OR REPLACE INTO series
             (number, station, instrument, quantity, statistic, over, period, unit, decimals)
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9)",
            params![
                number,
                series.station,
                series.instrument,
                series.quantity.name(),
                series.statistic.word(),
                series.over.map(|s| s.0),
                series.period.map(|s| s.0),
                name.unit,
                name.decimals
            ],
        )?;
    }
    for (number, name) in &known.sources {
        connection.execute(
            "INSERT OR REPLACE INTO source (number, name) VALUES (?1, ?2)",
            params![number, name],
        )?;
    }
    Ok(())
}

/// The names as the tables have them; rows that make no sense are passed over.
fn in_tables(connection: &Connection) -> rusqlite::Result<Known> {
    fn plain(connection: &Connection, sql: &str) -> rusqlite::Result<Vec<(u32, String)>> {
        let mut statement = connection.prepare(sql)?;
        let mut rows = statement.query([])?;
        let mut all = Vec::new();
        while let Some(row) = rows.next()? {
            all.extend(row.get(0).ok().zip(row.get(1).ok()));
        }
        Ok(all)
    }
    let channel = |row: &rusqlite::Row<'_>| -> rusqlite::Result<(u32, ChannelName)> {
        let name = ChannelName { station: row.get(1)?, name: row.get(2)?, unit: row.get(3)? };
        Ok((row.get(0)?, name))
    };
    let series = |row: &rusqlite::Row<'_>| -> rusqlite::Result<Option<(u32, SeriesName)>> {
        let quantity = Quantity::parse(&row.get::<_, String>(3)?);
        let statistic = Statistic::parse(&row.get::<_, String>(4)?);
        let Some((quantity, statistic)) = quantity.zip(statistic) else { return Ok(None) };
        let series = Series {
            station: row.get(1)?,
            instrument: row.get(2)?,
            quantity,
            statistic,
            over: row.get::<_, Option<i64>>(5)?.map(Span),
            period: row.get::<_, Option<i64>>(6)?.map(Span),
        };
        let name = SeriesName { series, unit: row.get(7)?, decimals: row.get(8)? };
        Ok(Some((row.get(0)?, name)))
    };
    let mut known = Known {
        stations: plain(connection, "SELECT number, id FROM station ORDER BY number")?,
        sources: plain(connection, "SELECT number, name FROM source ORDER BY number")?,
        ..Known::default()
    };
    let mut statement = connection.prepare("SELECT * FROM channel ORDER BY number")?;
    let mut rows = statement.query([])?;
    while let Some(row) = rows.next()? {
        known.channels.extend(channel(row).ok());
    }
    let mut statement = connection.prepare("SELECT * FROM series ORDER BY number")?;
    let mut rows = statement.query([])?;
    while let Some(row) = rows.next()? {
        known.series.extend(series(row).ok().flatten());
    }
    Ok(known)
}

/// Writes names that the log has lost into it again, as the tables have them: without them
/// their records could not be read, or would be read as another's. Whether there were any.
pub(crate) fn give_back(connection: &Connection) -> rusqlite::Result<bool> {
    let (known, uuid) = row::known(connection)?;
    let lost = in_tables(connection)?.without(&known);
    let Some(Head { received, walked, .. }) = row::last(connection)?.filter(|_| !lost.is_empty())
    else {
        return Ok(false);
    };
    let uuid = match uuid {
        Some(uuid) => uuid,
        None => connection
            .query_row("SELECT uuid FROM property", [], |r| r.get(0))
            .optional()?
            .unwrap_or_default(),
    };
    let mut body = Vec::new();
    encode_names(&mut body, &uuid, &lost);
    let number = highest_number(connection)? + 1;
    let row = Row { number, kind: kind::NAMES, received, walked, first: None, last: None };
    row.seal(&mut body);
    row::insert(connection, &row, &body, &[])?;
    Ok(true)
}

/// Whether the tables say what the log says.
pub(crate) fn agrees(connection: &Connection, known: &Known) -> rusqlite::Result<bool> {
    fn rows(connection: &Connection) -> rusqlite::Result<Vec<Vec<rusqlite::types::Value>>> {
        let mut all = Vec::new();
        for table in ["station", "channel", "series", "source"] {
            let mut statement =
                connection.prepare(&format!("SELECT * FROM {table} ORDER BY number"))?;
            let columns = statement.column_count();
            let mut rows = statement.query([])?;
            while let Some(row) = rows.next()? {
                all.push((0..columns).map(|c| row.get(c)).collect::<Result<_, _>>()?);
            }
        }
        Ok(all)
    }
    let expected = Connection::open_in_memory()?;
    expected.execute_batch(crate::schema::TABLES)?;
    insert(&expected, known)?;
    Ok(rows(connection)? == rows(&expected)?)
}

/// The highest log number that anything speaks of: no number is given twice, even if
/// the record that had it is lost.
pub(crate) fn highest_number(connection: &Connection) -> rusqlite::Result<u64> {
    let highest: Option<i64> = connection.query_row(
        "SELECT max(n) FROM (
            SELECT max(number) AS n FROM log UNION ALL SELECT max(delivered) FROM cursor
            UNION ALL SELECT max(number) FROM state UNION ALL SELECT max(number) FROM damaged
            UNION ALL SELECT max(last) FROM hole UNION ALL SELECT max(number) FROM dead_letter
            UNION ALL SELECT max(highest) FROM block)",
        [],
        |r| r.get(0),
    )?;
    // Only a damaged row speaks of numbers that no log reaches.
    Ok(highest.and_then(|n| u64::try_from(n).ok()).filter(|n| *n < 1 << 53).unwrap_or(0))
}

/// Serial, since when, station and instrument.
fn placements(property: &Property) -> impl Iterator<Item = (&str, i64, &str, &str)> {
    property.sensors.iter().flat_map(move |sensor| {
        sensor.placements.iter().filter_map(move |placement| {
            let instrument = property.instruments.get(placement.instrument.0 as usize)?;
            let station = property.stations.get(usize::from(instrument.station.0))?;
            Some((
                sensor.serial.as_str(),
                placement.from.0,
                station.id.as_str(),
                instrument.id.as_str(),
            ))
        })
    })
}

/// Whether the settings place a sensor where the tables do not yet have it.
pub(crate) fn has_new_sensors(
    connection: &Connection,
    property: &Property,
) -> rusqlite::Result<bool> {
    for (serial, since, station, instrument) in placements(property) {
        let known = connection
            .prepare_cached(
                "SELECT 1 FROM placement JOIN sensor ON sensor.number = placement.sensor
                 WHERE serial = ?1 AND since = ?2 AND station = ?3 AND instrument = ?4",
            )?
            .query_row(params![serial, since, station, instrument], |_| Ok(()))
            .optional()?;
        if known.is_none() {
            return Ok(true);
        }
    }
    Ok(false)
}

pub(crate) fn insert_sensors(connection: &Connection, property: &Property) -> rusqlite::Result<()> {
    for (serial, since, station, instrument) in placements(property) {
        connection.execute("INSERT OR IGNORE INTO sensor (serial) VALUES (?1)", [serial])?;
        connection.execute(
            "INSERT OR IGNORE INTO placement (sensor, since, station, instrument)
             SELECT number, ?2, ?3, ?4 FROM sensor WHERE serial = ?1",
            params![serial, since, station, instrument],
        )?;
    }
    Ok(())
}
