//! How much is set aside at most. The oldest of it goes first, what was brought in since
//! before what was not.

use crate::writer::PackedAside;
use rusqlite::{Connection, params};
use std::collections::BTreeMap;

/// Messages and bytes of packed messages.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct AsideUse {
    /// Messages, those that were brought in since included.
    pub messages: u64,
    /// Bytes of them as they are packed.
    pub bytes: u64,
}

impl AsideUse {
    /// Most of one station: 69 days of a message a minute.
    pub const OF_A_STATION: Self = Self { messages: 100_000, bytes: 16 << 20 };
    /// Most of all stations together.
    pub const OF_ALL: Self = Self { messages: 400_000, bytes: 64 << 20 };

    const fn exceeds(self, most: Self) -> bool {
        self.messages > most.messages || self.bytes > most.bytes
    }

    const fn nearly(self, most: Self) -> bool {
        self.exceeds(Self { messages: most.messages / 10 * 9, bytes: most.bytes / 10 * 9 })
    }

    const fn plus(self, other: Self) -> Self {
        Self { messages: self.messages + other.messages, bytes: self.bytes + other.bytes }
    }

    const fn less(self, other: Self) -> Self {
        Self {
            messages: self.messages.saturating_sub(other.messages),
            bytes: self.bytes.saturating_sub(other.bytes),
        }
    }
}

/// What may be set aside, and what is.
#[derive(Clone, Debug)]
pub(crate) struct AsideHeld {
    /// Most of one station, and of all.
    limits: [AsideUse; 2],
    stations: BTreeMap<String, AsideUse>,
}

impl AsideHeld {
    /// Counts what is there.
    pub(crate) fn of(connection: &Connection, limits: [AsideUse; 2]) -> rusqlite::Result<Self> {
        let mut statement = connection.prepare(
            "SELECT station, count(*), sum(length(body)) FROM set_aside GROUP BY station",
        )?;
        let rows = statement.query_map([], |row| {
            let (messages, bytes): (i64, i64) = (row.get(1)?, row.get(2)?);
            let held =
                AsideUse { messages: messages.cast_unsigned(), bytes: bytes.cast_unsigned() };
            Ok((row.get(0)?, held))
        })?;
        Ok(Self { limits, stations: rows.collect::<rusqlite::Result<_>>()? })
    }

    /// The station that is to give up something, and how much of it.
    fn beyond(&self) -> Option<(String, AsideUse)> {
        let [own, all] = self.limits;
        let fullest = || self.stations.iter().max_by_key(|(_, held)| (held.bytes, held.messages));
        let sum = self.stations.values().fold(AsideUse::default(), |sum, held| sum.plus(*held));
        let of = self.stations.iter().find(|(_, held)| held.exceeds(own));
        let (station, most) = match of {
            Some((station, _)) => (station, own),
            None if sum.exceeds(all) => (fullest()?.0, all),
            None => return None,
        };
        // Some more than need be, so that it is not done for each message.
        let step = AsideUse { messages: most.messages / 50 + 1, bytes: most.bytes / 50 + 1 };
        Some((station.clone(), step))
    }

    /// Takes up what was added in the transaction under way, and deletes in it what is
    /// beyond the limits. What is held then, and how many messages were given up that
    /// nobody had brought in.
    pub(crate) fn with(
        &self,
        connection: &Connection,
        added: &[PackedAside],
    ) -> rusqlite::Result<(Self, u64)> {
        let mut held = self.clone();
        for (station, _, body) in added {
            let one = AsideUse { messages: 1, bytes: body.len() as u64 };
            let of = held.stations.entry(station.clone()).or_default();
            *of = of.plus(one);
        }
        let mut given_up = 0;
        while let Some((station, step)) = held.beyond() {
            let mut gone = AsideUse::default();
            let mut oldest = connection.prepare_cached(
                "SELECT id, length(body), taken IS NULL FROM set_aside WHERE station = ?1
                 ORDER BY taken IS NULL, id LIMIT ?2",
            )?;
            let mut rows = oldest.query(params![station, step.messages.cast_signed()])?;
            let mut ids = Vec::new();
            while gone.bytes < step.bytes
                && let Some(row) = rows.next()?
            {
                ids.push(row.get::<_, i64>(0)?);
                let bytes = row.get::<_, i64>(1)?.cast_unsigned();
                gone = gone.plus(AsideUse { messages: 1, bytes });
                given_up += u64::from(row.get::<_, bool>(2)?);
            }
            for id in &ids {
                connection.prepare_cached("DELETE FROM set_aside WHERE id = ?1")?.execute([id])?;
            }
            if ids.is_empty() {
                held.stations.remove(&station);
            } else if let Some(of) = held.stations.get_mut(&station) {
                *of = of.less(gone);
            }
        }
        Ok((held, given_up))
    }

    /// A station of which so much is set aside that some will soon be given up, and how
    /// much it is.
    pub(crate) fn nearly_full(&self) -> Option<(&str, AsideUse)> {
        let [own, all] = self.limits;
        let sum = self.stations.values().fold(AsideUse::default(), |sum, held| sum.plus(*held));
        let fullest = self.stations.iter().max_by_key(|(_, h)| (h.bytes, h.messages));
        let of = self.stations.iter().find(|(_, held)| held.nearly(own));
        of.or(fullest.filter(|_| sum.nearly(all))).map(|(station, held)| (station.as_str(), *held))
    }
}
