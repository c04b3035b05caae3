//! From readings to requests.

use super::Http;
use crate::forwarders::port::{Origin, Outgoing, Piece};
use crate::forwarders::{lines, senml};
use bytes::Bytes;
use serde::Deserialize;
use std::ops::Range;

/// Names of the templates.
pub(super) const URL: &str = "url";
pub(super) const BODY: &str = "body";

/// What a request's body is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Form {
    Lines,
    Senml,
    Template,
    Nothing,
}

/// What one request carries.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "snake_case")]
pub(super) enum Each {
    Batch,
    Station,
    Reading,
}

impl Http {
    pub(super) fn pieces(&self, origin: &Origin, readings: &[Outgoing]) -> Vec<Piece> {
        let mut pieces = Vec::new();
        let mut start = 0;
        while start < readings.len() {
            let end = self.end(origin, readings, start);
            let held = readings.get(start..end).unwrap_or_default();
            match self.piece(origin, held, start..end) {
                Ok(Some(piece)) => pieces.push(piece),
                Ok(None) => {}
                Err(why) => pieces.push(Piece {
                    readings: start..end,
                    fault: Some(why),
                    ..Piece::default()
                }),
            }
            start = end;
        }
        pieces
    }

    /// Where the request that begins at `start` ends.
    fn end(&self, origin: &Origin, readings: &[Outgoing], start: usize) -> usize {
        match self.each {
            Each::Batch => readings.len(),
            Each::Reading => start + 1,
            Each::Station => {
                let key = |r: &Outgoing| {
                    let name = origin.series(r.reading.series).map(|n| n.series.station.as_str());
                    (name, r.reading.time)
                };
                let rest = readings.get(start..).unwrap_or_default();
                let first = rest.first().map(key);
                start + rest.iter().take_while(|r| Some(key(r)) == first).count()
            }
        }
    }

    fn piece(
        &self,
        origin: &Origin,
        held: &[Outgoing],
        readings: Range<usize>,
    ) -> Result<Option<Piece>, String> {
        let place = match &self.url {
            Some(url) => url.clone(),
            None => self.templates.render(URL, origin, held)?.trim().to_owned(),
        };
        let body = match self.form {
            Form::Lines => {
                let writer = self.lines.of(origin);
                let mut body = Vec::with_capacity(held.len() * 320);
                for outgoing in held {
                    lines::json(writer, origin, outgoing, &mut body);
                }
                Bytes::from(body)
            }
            Form::Senml => {
                let mut body = Vec::with_capacity(held.len() * 96);
                if !senml::pack(origin, held, &mut body) {
                    return Ok(None);
                }
                Bytes::from(body)
            }
            Form::Template => Bytes::from(self.templates.render(BODY, origin, held)?),
            Form::Nothing => Bytes::new(),
        };
        Ok(Some(Piece { place, body, readings, newest: false, fault: None }))
    }
}
