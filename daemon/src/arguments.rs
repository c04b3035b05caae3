//! The command line: every command that exists and nothing that does not yet.

use clap::{Args, Parser, Subcommand, ValueEnum};
use std::path::PathBuf;

/// Measurements from home-built weather stations: taken in, checked, kept and shown.
#[derive(Debug, Parser)]
#[command(name = "isobarn", version, max_term_width = 100)]
#[command(after_help = "Exit status: 0 done, 1 failed, 2 wrong usage, 78 settings refused.\n\
    isobarn reports what home instruments say; it is no safety service, and official \
    warnings come first.")]
pub struct Arguments {
    /// What to do.
    #[command(subcommand)]
    pub command: Command,
}

/// One command.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// The service: take in, check, keep and show until told to stop
    Run(Run),
    /// Check the settings and start nothing; tells all faults at once
    Check(Check),
    /// An invented property with simulated stations that speak to a real service
    Demo(Demo),
    /// Show what arrives, with a suggested entry for each unknown channel; stores nothing
    Listen(Listen),
    /// Recorded samples through the same processor in simulated time
    Replay(Replay),
    /// An old record into the history, at its own times
    Import(Import),
    /// Readings made anew from kept samples, after a calibration or placement was corrected
    Reprocess(Reprocess),
    /// One formula
    Derive(Derive),
    /// Readings or samples out of the history
    Export(Export),
    /// How each pair of neighbours compares; the causes that a diagnosis may name
    Compare(Compare),
    /// A consistent copy of the history, while the service runs or not
    Backup(Backup),
    /// Put a backup where no history is, after checking all of it
    Restore(Restore),
    /// Tokens of stations and gateways
    Token(Token),
    /// Stations, ages, flags, backlogs, and what to do next
    Status(Status),
}

/// Which settings.
#[derive(Args, Clone, Debug)]
pub struct Settings {
    /// The settings file; `conf.d/*.toml` beside it is read too
    #[arg(long, value_name = "FILE", default_value = "/etc/isobarn/isobarn.toml")]
    pub config: PathBuf,
    /// Overrides one setting: a dotted key and a TOML value; may be given again
    #[arg(long = "set", value_name = "KEY=VALUE")]
    pub set: Vec<String>,
}

/// Arguments of `run`.
#[derive(Args, Debug)]
pub struct Run {
    /// Which settings.
    #[command(flatten)]
    pub settings: Settings,
}

/// Arguments of `backup`.
#[derive(Args, Debug)]
pub struct Backup {
    /// Which settings.
    #[command(flatten)]
    pub settings: Settings,
    /// The file to be made; one that is there is left alone
    #[arg(value_name = "TARGET")]
    pub target: PathBuf,
}

/// Arguments of `restore`.
#[derive(Args, Debug)]
pub struct Restore {
    /// Which settings.
    #[command(flatten)]
    pub settings: Settings,
    /// A file that `backup` made
    #[arg(value_name = "BACKUP")]
    pub backup: PathBuf,
}

/// Arguments of `check`.
#[derive(Args, Debug)]
pub struct Check {
    /// Which settings.
    #[command(flatten)]
    pub settings: Settings,
    /// Look through the whole history too: every page, record and block. Nothing of it is
    /// changed; where something is damaged the next start of the service mends it
    #[arg(long)]
    pub history: bool,
}

/// Arguments of `demo`.
#[derive(Args, Debug)]
pub struct Demo {
    /// Stop after this many minutes; without it at Ctrl-C
    #[arg(long, value_name = "N")]
    pub minutes: Option<f64>,
    /// Where to keep the history; found again there when started again. Without it a
    /// temporary one
    #[arg(long, value_name = "DIR")]
    pub directory: Option<PathBuf>,
    /// Where the invented weather starts; the same number gives the same weather
    #[arg(long, value_name = "NUMBER", default_value_t = 1)]
    pub seed: u64,
    /// Days of invented past, with an invented fault in its last weeks; 0 for none. A
    /// directory that holds a history keeps the one it has
    #[arg(long, value_name = "DAYS", default_value_t = 75)]
    pub past: u32,
}

/// Arguments of `listen`.
#[derive(Args, Debug)]
pub struct Listen {
    /// Which settings.
    #[command(flatten)]
    pub settings: Settings,
    /// Stop after this long, such as `30 s`; without it at Ctrl-C
    #[arg(long = "for", value_name = "SPAN")]
    pub span: Option<String>,
}

/// Arguments of `replay`.
#[derive(Args, Debug)]
pub struct Replay {
    /// Which settings.
    #[command(flatten)]
    pub settings: Settings,
    /// Replay lines; `-` is standard input
    #[arg(long, value_name = "FILE")]
    pub input: PathBuf,
    /// Where readings go; `-` is standard output
    #[arg(long, value_name = "FILE", default_value = "-")]
    pub output: PathBuf,
    /// Only the highest revision of each reading, ordered by time and series
    #[arg(long = "final")]
    pub r#final: bool,
}

/// Arguments of `import`.
#[derive(Args, Debug)]
pub struct Import {
    /// Which settings.
    #[command(flatten)]
    pub settings: Settings,
    /// Replay lines, or with --map a CSV file with a heading; `-` is standard input
    #[arg(long, value_name = "FILE", required_unless_present = "set_aside")]
    pub input: Option<PathBuf>,
    /// Instead of a file, what was set aside of this station for its time
    #[arg(long, value_name = "STATION", conflicts_with_all = ["input", "map", "station"])]
    pub set_aside: Option<String>,
    /// Added to every time of what was set aside, where the station's clock was wrong: `-1h`
    #[arg(long, value_name = "SPAN", requires = "set_aside", allow_hyphen_values = true)]
    pub shift: Option<String>,
    /// A column of the CSV file and the channel it is of, in the channel's unit; may be
    /// given again
    #[arg(long, value_name = "COLUMN=CHANNEL", requires = "station")]
    pub map: Vec<String>,
    /// The station of the CSV file
    #[arg(long, value_name = "STATION", requires = "map")]
    pub station: Option<String>,
    /// The column of times: RFC 3339, Unix seconds, or local time of the station's zone
    #[arg(long, value_name = "COLUMN", default_value = "time")]
    pub time: String,
    /// What stands between the columns
    #[arg(long, value_name = "CHARACTER", default_value_t = ',')]
    pub separator: char,
}

/// Arguments of `reprocess`.
#[derive(Args, Debug)]
pub struct Reprocess {
    /// Which settings.
    #[command(flatten)]
    pub settings: Settings,
    /// From this instant, included; nothing before it is changed. Without it from the first
    /// kept sample
    #[arg(long, value_name = "TIME")]
    pub from: Option<String>,
    /// Up to this instant, not included
    #[arg(long, value_name = "TIME")]
    pub to: Option<String>,
}

/// Arguments of `derive`.
#[derive(Args, Debug)]
pub struct Derive {
    /// The quantity to compute
    #[arg(required_unless_present = "list")]
    pub quantity: Option<String>,
    /// Inputs, `name=value` with a unit: `air_temperature=20Cel`
    #[arg(value_name = "NAME=VALUE")]
    pub inputs: Vec<String>,
    /// The unit of the answer
    #[arg(long, value_name = "CODE")]
    pub unit: Option<String>,
    /// The formula, where there are several
    #[arg(long, value_name = "NAME")]
    pub method: Option<String>,
    /// Also tell the formula, its source and where it holds
    #[arg(long)]
    pub explain: bool,
    /// Answer as JSON
    #[arg(long)]
    pub json: bool,
    /// Tell what can be computed from what
    #[arg(long, conflicts_with_all = ["quantity", "inputs", "unit", "method", "explain"])]
    pub list: bool,
}

/// Form of exported lines.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum Format {
    /// One JSON object a line
    Jsonl,
    /// Comma-separated values, a line a reading, with its unit in it
    Csv,
    /// Comma-separated values, a row an instant, for each series a column with its unit in
    /// the heading and one with its flag
    Table,
}

/// Arguments of `export`.
#[derive(Args, Debug)]
pub struct Export {
    /// Which settings.
    #[command(flatten)]
    pub settings: Settings,
    /// Only this station
    #[arg(long, value_name = "STATION")]
    pub station: Option<String>,
    /// Only this quantity
    #[arg(long, value_name = "QUANTITY")]
    pub quantity: Option<String>,
    /// From this instant, included: `2026-03-01T06:00:00Z`
    #[arg(long, value_name = "TIME")]
    pub from: Option<String>,
    /// Up to this instant, not included
    #[arg(long, value_name = "TIME")]
    pub to: Option<String>,
    /// Summarised over steps of this length: `10 min`, `PT1H`
    #[arg(long, value_name = "SPAN", conflicts_with = "samples")]
    pub step: Option<String>,
    /// Summaries instead of readings: by hour, day, month or year; without --from of the last 31 d
    #[arg(long, value_name = "DIVISION", conflicts_with_all = ["samples", "step"])]
    pub summaries: Option<String>,
    /// Days of summaries: civil, rain, maximum or minimum; without it those usual for each
    /// quantity
    #[arg(long, value_name = "KIND", requires = "summaries")]
    pub day: Option<String>,
    /// Own normals by month, from the finished months of the whole record, instead of readings
    #[arg(long, conflicts_with_all = ["samples", "step", "summaries", "from", "to"])]
    pub normals: bool,
    /// Form of the lines
    #[arg(long, value_enum, default_value_t = Format::Jsonl)]
    pub format: Format,
    /// The samples as they arrived, as input for `replay`, instead of readings
    #[arg(long)]
    pub samples: bool,
}

/// Arguments of `compare`.
#[derive(Args, Debug)]
pub struct Compare {
    /// Which settings.
    #[command(flatten)]
    pub settings: Settings,
    /// Over so many of the newest days
    #[arg(long, value_name = "N", default_value_t = 30)]
    pub days: u16,
    /// The closed list of causes instead, with cautions and remedies
    #[arg(long)]
    pub causes: bool,
    /// Answer as JSON
    #[arg(long)]
    pub json: bool,
}

/// Arguments of `token`.
#[derive(Args, Debug)]
pub struct Token {
    /// What to do with tokens.
    #[command(subcommand)]
    pub action: TokenAction,
}

/// What to do with tokens.
#[derive(Debug, Subcommand)]
pub enum TokenAction {
    /// Make a token and print it once
    Add(TokenOwner),
    /// Who has tokens, never the tokens themselves
    List(TokenList),
    /// Make a token worthless
    Revoke(TokenOwner),
}

/// Whose token.
#[derive(Args, Debug)]
pub struct TokenOwner {
    /// Which settings.
    #[command(flatten)]
    pub settings: Settings,
    /// The station it speaks for
    #[arg(
        long,
        value_name = "STATION",
        required_unless_present = "gateway",
        conflicts_with = "gateway"
    )]
    pub station: Option<String>,
    /// The gateway it speaks for
    #[arg(long, value_name = "GATEWAY")]
    pub gateway: Option<String>,
}

/// Arguments of `token list`.
#[derive(Args, Debug)]
pub struct TokenList {
    /// Which settings.
    #[command(flatten)]
    pub settings: Settings,
}

/// Arguments of `status`.
#[derive(Args, Debug)]
pub struct Status {
    /// Which settings.
    #[command(flatten)]
    pub settings: Settings,
    /// Answer as JSON
    #[arg(long)]
    pub json: bool,
}
