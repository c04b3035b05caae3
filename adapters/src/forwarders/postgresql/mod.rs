//! Rows of a PostgreSQL database: COPY into a staging table, then one INSERT that lets a
//! higher revision replace a lower one and never the reverse. Several properties may share
//! a database; `SCHEMA.md` beside this file describes it.

mod link;
mod rows;

use super::checks::Checks;
use super::port::{Context, Forwarder, Kind, Link, Newest, Origin, Outgoing, Piece};
use super::rules::{Rules, Usual, options};
use config::{AdapterTable, Fault};
use observation::Property;
use std::str::FromStr as _;
use std::sync::Arc;
use std::time::Duration;

/// The kind `postgresql`.
pub const KIND: Kind = Kind { name: "postgresql", build, example: EXAMPLE };

const EXAMPLE: &str = r#"server = "postgresql://isobarn@127.0.0.1:5432/weather"
"#;

options! {
    /// `[forward.postgresql.NAME]`.
    struct Options {
        /// `postgresql://USER@HOST[:5432]/DATABASE`.
        server: String,
        /// The file that holds the password.
        password_file: Option<String>,
        /// The schema of the tables; default `isobarn`.
        schema: Option<String>,
    }
}

/// A database.
struct Postgresql {
    rules: Rules,
    config: tokio_postgres::Config,
    name: String,
    schema: String,
}

impl Forwarder for Postgresql {
    fn rules(&self) -> &Rules {
        &self.rules
    }

    fn prepare(&self, origin: &Origin, readings: &[Outgoing], _newest: &mut Newest) -> Vec<Piece> {
        vec![rows::piece(origin, readings)]
    }

    fn link(&self, _context: &Context) -> Box<dyn Link> {
        Box::new(link::Database::new(self.config.clone(), self.name.clone(), self.schema.clone()))
    }
}

fn build(table: &AdapterTable, property: &Arc<Property>) -> Result<Box<dyn Forwarder>, Vec<Fault>> {
    let options: Options = table.decode(EXAMPLE)?;
    let mut checks = Checks::of(table);
    let usual = Usual { batch: 10_000, counting_only: false, may_be_live: true };
    let rules = options.told().rules(&mut checks, property, usual);
    let help = "write it like \"postgresql://isobarn@192.168.1.10:5432/weather\"";
    let mut config = tokio_postgres::Config::new();
    let mut name = String::new();
    let parsed = if options.server.starts_with("postgresql://") {
        tokio_postgres::Config::from_str(&options.server).map_err(|e| e.to_string())
    } else {
        Err("it does not begin with `postgresql://`".to_owned())
    };
    match parsed {
        // Not quoted: it may hold a password.
        Err(why) => checks.fault(&["server"], &format!("this is no address: {why}"), help),
        Ok(parsed) if parsed.get_password().is_some() => checks.fault(
            &["server"],
            "the address holds a password",
            "put it into a file of its own: `password_file`",
        ),
        Ok(parsed) => {
            if parsed.get_hosts().is_empty()
                || parsed.get_dbname().is_none()
                || parsed.get_user().is_none()
            {
                checks.fault(&["server"], "the address lacks user, host or database", help);
            }
            let at = options.server.rsplit('@').next().unwrap_or_default();
            name = format!("postgresql://{}", at.split('?').next().unwrap_or_default());
            config = parsed;
        }
    }
    if let Some(password) = checks.secret("password_file", options.password_file.as_ref()) {
        config.password(password.reveal());
    }
    config.application_name("isobarn").connect_timeout(Duration::from_secs(10));
    let schema = options.schema.unwrap_or_else(|| "isobarn".to_owned());
    let sound = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '_';
    if schema.is_empty()
        || schema.len() > 40
        || !schema.chars().all(sound)
        || schema.starts_with("pg_")
    {
        let message = "a schema is 1 to 40 small letters, digits and `_`, not beginning with `pg_`";
        checks.fault(&["schema"], message, "");
    }
    if !checks.faults.is_empty() {
        return Err(checks.faults);
    }
    Ok(Box::new(Postgresql { rules, config, name, schema }))
}
