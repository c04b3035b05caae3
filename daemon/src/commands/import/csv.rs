//! Rows of a CSV file (RFC 4180, quoted fields on one line) as sample lines.

use jiff::civil::DateTime;
use jiff::tz::TimeZone;
use observation::Time;
use serde_json::json;

/// How columns are understood.
pub(super) struct Mapping {
    station: String,
    separator: char,
    zone: TimeZone,
    time: usize,
    /// Column and channel.
    channels: Vec<(usize, String)>,
}

/// The fields of a row.
fn fields(row: &str, separator: char) -> Vec<String> {
    let mut fields = vec![String::new()];
    let (mut quoted, mut row) = (false, row.chars().peekable());
    while let Some(c) = row.next() {
        let Some(field) = fields.last_mut() else { break };
        match c {
            '"' if quoted && row.peek() == Some(&'"') => {
                row.next();
                field.push('"');
            }
            '"' => quoted = !quoted,
            c if c == separator && !quoted => fields.push(String::new()),
            c => field.push(c),
        }
    }
    fields.iter().map(|f| f.trim().to_owned()).collect()
}

/// Whether a field is a number with a comma in it, which may part decimals or thousands.
fn is_with_comma(field: &str) -> bool {
    field.contains(',') && field.replace(',', ".").parse::<f64>().is_ok()
}

impl Mapping {
    /// By the heading of the file: the column of times, and `COLUMN=CHANNEL` for each
    /// channel.
    pub(super) fn of(
        heading: &str,
        station: &str,
        (separator, zone): (char, TimeZone),
        time: &str,
        map: &[String],
    ) -> Result<Self, String> {
        let names = fields(heading.trim_start_matches('\u{feff}'), separator);
        let place = |name: &str| {
            names
                .iter()
                .position(|n| n == name)
                .ok_or_else(|| format!("no column `{name}`; there are {}", names.join(", ")))
        };
        let channels = map
            .iter()
            .map(|pair| {
                let (column, channel) = pair
                    .rsplit_once('=')
                    .ok_or_else(|| format!("--map {pair}: write COLUMN=CHANNEL"))?;
                Ok((place(column)?, channel.to_owned()))
            })
            .collect::<Result<_, String>>()?;
        Ok(Self { station: station.to_owned(), separator, zone, time: place(time)?, channels })
    }

    /// The sample lines of a row; empty fields are gaps.
    pub(super) fn lines(&self, row: &str) -> Result<Vec<String>, String> {
        let fields = fields(row, self.separator);
        let text = fields.get(self.time).map(String::as_str).unwrap_or_default();
        let time = self.instant(text)?;
        let mut lines = Vec::new();
        for (place, channel) in &self.channels {
            let field = fields.get(*place).map(String::as_str).unwrap_or_default();
            if field.is_empty() {
                continue;
            }
            let value = match field.parse::<f64>() {
                Ok(number) if number.is_finite() => json!(number),
                _ if is_with_comma(field) => {
                    return Err(format!("`{field}`: write a point before the decimals"));
                }
                _ => json!(field),
            };
            let line = json!({
                "time": time.to_string(), "station": self.station, "channel": channel, "value": value,
            });
            lines.push(line.to_string());
        }
        Ok(lines)
    }

    /// RFC 3339, Unix seconds, or a local time in the zone, refused where it is not
    /// exactly one instant.
    fn instant(&self, text: &str) -> Result<Time, String> {
        if let Ok(time) = Time::parse(text) {
            return Ok(time);
        }
        if let Some(time) = text.parse::<f64>().ok().and_then(Time::from_seconds) {
            return Ok(time);
        }
        let local: DateTime = text.parse().map_err(|_| {
            format!(
                "`{text}` is no time: write 2026-03-01 06:00, with Z or an offset, or Unix seconds"
            )
        })?;
        let zoned = self.zone.to_ambiguous_zoned_datetime(local);
        let one = zoned.unambiguous().map_err(|_| {
            format!("`{text}` stands twice or never on that day's clock: give its offset")
        })?;
        Ok(Time(one.timestamp().as_millisecond()))
    }
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    fn mapping(zone: &str) -> Mapping {
        let zone = TimeZone::get(zone).unwrap();
        let map = ["Outside, \"shade\"=t".to_owned(), "rain=tips".to_owned()];
        let heading = "when;\"Outside, \"\"shade\"\"\";rain";
        Mapping::of(heading, "orchard", (';', zone), "when", &map).unwrap()
    }

    #[test]
    fn rows_become_samples_and_empty_fields_nothing() {
        let lines = mapping("Europe/London").lines("2021-07-01 12:00;21.5;").unwrap();
        assert_eq!(lines.len(), 1);
        let line: serde_json::Value = serde_json::from_str(&lines[0]).unwrap();
        // In summer London's clock is one hour ahead of UTC.
        assert_eq!(line["time"], "2021-07-01T11:00:00Z");
        assert_eq!((&line["channel"], &line["value"]), (&json!("t"), &json!(21.5)));
    }

    #[test]
    fn a_comma_before_decimals_is_told() {
        let mapping = mapping("UTC");
        assert!(mapping.lines("2021-07-01 12:00;21,5;").unwrap_err().contains("point"));
        assert_eq!(mapping.lines("2021-07-01 12:00;a, b;").unwrap().len(), 1, "a text");
    }

    #[test]
    fn an_hour_that_stands_twice_needs_its_offset() {
        // The clock went back on 2021-10-31 at 02:00 summer time (from memory).
        let mapping = mapping("Europe/London");
        assert!(mapping.lines("2021-10-31 01:30;5;").unwrap_err().contains("offset"));
        assert!(mapping.lines("2021-03-28 01:30;5;").unwrap_err().contains("offset"));
        assert_eq!(mapping.lines("2021-10-31T01:30:00+01:00;5;7").unwrap().len(), 2);
    }

    #[test]
    fn a_column_that_is_not_there_is_named() {
        let map = ["snow=depth".to_owned()];
        let error = Mapping::of("time,rain", "orchard", (',', TimeZone::UTC), "time", &map);
        assert_eq!(error.err().unwrap(), "no column `snow`; there are time, rain");
    }
}
