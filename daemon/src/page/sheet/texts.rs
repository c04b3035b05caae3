//! Every text of the page and the displays, in one place, so that a language can be
//! added: another [`Texts`] beside [`ENGLISH`].

use super::range::Range;
use observation::{Flag, Quantity};

/// One language.
pub struct Texts {
    /// BCP 47 code.
    pub code: &'static str,
    pub months: [&'static str; 12],
    /// From Monday on.
    pub weekdays: [&'static str; 7],
    /// By number.
    pub flags: [&'static str; 6],
    /// From the name of a cause.
    pub causes: fn(&str) -> String,
    pub stations: &'static str,
    pub station: &'static str,
    pub newest: &'static str,
    pub nothing_heard: &'static str,
    pub silent: &'static str,
    pub no_fault: &'static str,
    pub plots: &'static str,
    pub plot_of: &'static str,
    pub sky_not_observed: &'static str,
    pub calm: &'static str,
    pub over: &'static str,
    pub all_values: &'static str,
    pub instrument: &'static str,
    pub quantity: &'static str,
    pub value: &'static str,
    pub flag: &'static str,
    pub age: &'static str,
    pub rain_day: &'static str,
    pub diagnoses: &'static str,
    pub no_diagnoses: &'static str,
    pub since: &'static str,
    pub size: &'static str,
    pub sureness: &'static str,
    pub evidence: &'static str,
    pub cautions: &'static str,
    pub remedy: &'static str,
    pub whole_station: &'static str,
    pub several: &'static str,
    pub panes: &'static str,
    pub earlier: &'static str,
    pub later: &'static str,
    pub ranges: &'static str,
    /// In the order of [`Range::ALL`].
    pub range_names: [&'static str; Range::ALL.len()],
    pub reading_line: &'static str,
    pub temperature_and_dew_point: &'static str,
    pub rain: &'static str,
    pub mean: &'static str,
    pub gust: &'static str,
    pub solid: &'static str,
    pub dashed: &'static str,
    pub thick: &'static str,
    pub per_hour: &'static str,
    pub per_day: &'static str,
    pub lowest: &'static str,
    pub highest: &'static str,
    pub total: &'static str,
    pub at_least: &'static str,
    pub gaps: &'static str,
    pub nothing_kept: &'static str,
    pub outlook: &'static str,
    pub outlook_waits: &'static str,
    pub date: &'static str,
    pub hour: &'static str,
    pub hours_table: &'static str,
    pub doubtful_out: &'static str,
    pub left_out: &'static str,
    pub rose: &'static str,
    pub below: &'static str,
    pub from: &'static str,
    pub variable: &'static str,
    pub usual: &'static str,
    pub missing_hours: &'static str,
    pub incomplete: &'static str,
    pub rose_note: &'static str,
    pub isopleths: &'static str,
    pub isopleths_note: &'static str,
    pub pairs: &'static str,
    pub pairs_note: &'static str,
    pub learning: &'static str,
    pub evidence_note: &'static str,
    pub day_table: &'static str,
    pub days_elsewhere: &'static str,
    pub see_panes: &'static str,
    /// Headings of the table of days, with what they stand for.
    pub day_columns: [(&'static str, &'static str); 10],
    pub all: &'static str,
    pub agree: &'static str,
    pub frozen: &'static str,
    pub in_three_hours: &'static str,
    pub rain_24h: &'static str,
    pub no_reading_since: &'static str,
    pub score: &'static str,
    pub brier: &'static str,
    pub forecasts: &'static str,
    pub skill: &'static str,
    pub served: &'static str,
    pub history_unread: &'static str,
    pub cut_short: &'static str,
    pub no_safety: &'static str,
    pub time_zone: &'static str,
}

impl Texts {
    /// A quantity as people call it.
    pub fn quantity(&self, quantity: Quantity) -> String {
        match quantity {
            Quantity::PrecipitationDepth => self.rain.to_owned(),
            Quantity::SurfaceAirPressure => "pressure at the barometer".to_owned(),
            Quantity::AirPressureAtMeanSeaLevel => "pressure at mean sea level".to_owned(),
            Quantity::TendencyOfSurfaceAirPressure => "pressure change".to_owned(),
            Quantity::CharacteristicOfPressureTendency => {
                "characteristic of the change (code 0200)".to_owned()
            }
            Quantity::ShortwaveFlux => "global radiation".to_owned(),
            Quantity::WindFromDirection => "wind direction".to_owned(),
            Quantity::WindSpeedOfGust => self.gust.to_owned(),
            other => other.name().replace('_', " "),
        }
    }

    /// A quantity in a row of figures.
    pub fn short(&self, quantity: Quantity) -> String {
        match quantity {
            Quantity::AirTemperature => "air".to_owned(),
            Quantity::DewPointTemperature => "dew point".to_owned(),
            Quantity::RelativeHumidity => "humidity".to_owned(),
            Quantity::AirPressureAtMeanSeaLevel => "sea level".to_owned(),
            Quantity::SurfaceAirPressure => "barometer".to_owned(),
            Quantity::WindSpeed => "wind".to_owned(),
            other => self.quantity(other),
        }
    }

    /// A flag as a word.
    pub fn flag(&self, flag: Flag) -> &'static str {
        self.flags.get(usize::from(flag.number())).copied().unwrap_or_default()
    }

    /// A range as people read it.
    pub fn range(&self, range: Range) -> &'static str {
        let place = Range::ALL.iter().position(|r| *r == range);
        place.and_then(|p| self.range_names.get(p)).copied().unwrap_or_default()
    }

    /// A cause as words.
    pub fn cause(&self, cause: &str) -> String {
        (self.causes)(cause)
    }
}

/// English.
pub static ENGLISH: Texts = Texts {
    code: "en",
    months: ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"],
    weekdays: ["Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun"],
    flags: ["good", "inconsistent", "doubtful", "erroneous", "missing", "unchecked"],
    causes: |name| name.replace('_', " "),
    stations: "stations",
    station: "station",
    newest: "newest",
    nothing_heard: "nothing heard yet",
    silent: "silent",
    no_fault: "no fault is held of any instrument",
    plots: "Station plot",
    plot_of: "Station plot of",
    sky_not_observed: "the bar in the circle: sky not observed",
    calm: "calm",
    over: "over",
    all_values: "Everything of",
    instrument: "Instrument",
    quantity: "Quantity",
    value: "Value",
    flag: "Flag",
    age: "Age",
    rain_day: "Rain day",
    diagnoses: "Which instrument lies",
    no_diagnoses: "Nothing is held against any instrument. A neighbourhood is judged once it has been watched for 45 days.",
    since: "since",
    size: "by",
    sureness: "confidence",
    evidence: "What it rests on",
    cautions: "First",
    remedy: "Then",
    whole_station: "the whole station",
    several: "two stations disagree",
    panes: "Meteogram",
    earlier: "earlier",
    later: "later",
    ranges: "Ranges",
    range_names: [
        "24 h",
        "Overnight",
        "48 h",
        "Barogram week",
        "Dekad",
        "Season",
        "Climatological year",
    ],
    reading_line: "Touch or point at a pane to read its values.",
    temperature_and_dew_point: "Air temperature and dew point",
    rain: "rain",
    mean: "mean",
    gust: "gust",
    solid: "solid",
    dashed: "dashed",
    thick: "thick: does not count",
    per_hour: "1 h",
    per_day: "1 d",
    lowest: "lowest",
    highest: "highest",
    total: "total",
    at_least: "at least",
    gaps: "gaps",
    nothing_kept: "nothing kept in this span",
    outlook: "Outlook",
    outlook_waits: "No forecast is made yet: a percentage is shown only after 60 own days on which it did better than the usual frequency of rain.",
    date: "Date",
    hour: "Hour",
    hours_table: "The panes as a table",
    doubtful_out: "Doubtful values do not count here.",
    left_out: "readings left out",
    rose: "Wind rose",
    below: "below",
    from: "from",
    variable: "variable",
    usual: "usual",
    missing_hours: "missing",
    incomplete: "incomplete",
    rose_note: "Share of ten-minute means by where the wind blew from and how strongly.",
    isopleths: "Air temperature by hour and day",
    isopleths_note: "Lines of equal hourly mean over days and hours of the day; hours without readings are framed.",
    pairs: "Pairs",
    pairs_note: "First station less second, hour by hour, in the band that is usual in this span; the most unusual first.",
    learning: "No two stations have twelve hours of the same quantity in common in this span.",
    evidence_note: "The instrument less the middle of its neighbours; band and line before it began",
    day_table: "Days",
    days_elsewhere: "Days are told one by one for spans of up to a month.",
    see_panes: "see it in the panes",
    day_columns: [
        ("Date", "civil date"),
        ("Tx", "highest air temperature and when"),
        ("Tn", "lowest air temperature and when"),
        ("Tg", "lowest temperature above grass and when"),
        ("RR", "rain of the rain day that starts on the date"),
        ("wet", "hours with rain"),
        ("p", "mean pressure"),
        ("octant", "where the wind blew from most often"),
        ("gust", "highest gust and when, with its averaging time"),
        ("marks", "what is to be known of the figures"),
    ],
    all: "all",
    agree: "agree",
    frozen: "frozen",
    in_three_hours: "in 3 h",
    rain_24h: "24 h",
    no_reading_since: "no reading since",
    score: "Score",
    brier: "Brier score",
    forecasts: "outlooks scored",
    skill: "skill against the usual frequency of rain",
    served: "For programs",
    history_unread: "The history cannot be read at present",
    cut_short: "This span holds more than can be read in time; it is shown as far as it was read.",
    no_safety: "Home instruments; not for decisions on life, flood, fire or crops alone. Official warnings come first.",
    time_zone: "Times are those of",
};
