//! `isobarn token`: made, listed and revoked while the service runs, or without one.
//!
//! A token is printed once, on standard output, and kept only as its hash.

use super::Failure;
use crate::arguments::{self, Token, TokenAction, TokenOwner};
use crate::clock::{Clock as _, SystemClock};
use crate::control::{self, Answer, Request, Word};
use crate::{tokens, wiring};
use config::{Owner, Settings};
use history::{History, OpenError, Options, Reader};
use serde_json::Value;

/// Does what is asked.
///
/// # Errors
/// Status 78 for refused settings, 2 for an owner the settings do not have, 1 where
/// neither a service nor the history can be reached.
pub fn execute(arguments: &Token) -> Result<(), Failure> {
    match &arguments.action {
        TokenAction::Add(owner) => add(owner),
        TokenAction::List(list) => show(&list.settings),
        TokenAction::Revoke(owner) => revoke(owner),
    }
}

fn load(settings: &arguments::Settings) -> Result<Settings, Failure> {
    config::load_without_secrets(&settings.config, &settings.set)
        .map_err(|faults| wiring::refused(&faults))
}

/// Whether the owner is a gateway, and its identifier.
fn owner(asked: &TokenOwner, settings: &Settings) -> Result<(bool, String), Failure> {
    match (&asked.station, &asked.gateway) {
        (Some(station), None) if settings.property.station(station).is_some() => {
            Ok((false, station.clone()))
        }
        (None, Some(gateway)) if settings.property.gateways.iter().any(|g| g.id == *gateway) => {
            Ok((true, gateway.clone()))
        }
        (Some(station), _) => {
            Err(Failure::usage(format!("the settings have no station `{station}`")))
        }
        (_, Some(gateway)) => {
            Err(Failure::usage(format!("the settings have no gateway `{gateway}`")))
        }
        _ => Err(Failure::usage("name a station or a gateway")),
    }
}

fn request(command: Word, asked: &TokenOwner) -> Request {
    Request {
        station: asked.station.clone(),
        gateway: asked.gateway.clone(),
        ..Request::of(command)
    }
}

/// The history itself, where no service answers.
fn open(settings: &Settings) -> Result<History, Failure> {
    let now = SystemClock::new().now();
    match History::open(&settings.history.directory, &Options::at(now)) {
        Ok((history, _)) => Ok(history),
        Err(error @ OpenError::Locked { .. }) => {
            Err(Failure::failed(format!("{error}, but its control socket cannot be reached")))
        }
        Err(error) => Err(Failure::failed(error.to_string())),
    }
}

fn add(asked: &TokenOwner) -> Result<(), Failure> {
    let settings = load(&asked.settings)?;
    let (gateway, owner) = owner(asked, &settings)?;
    let text = match control::ask(&settings, &request(Word::TokenAdd, asked)) {
        Answer::Given(answer) => answer
            .get("token")
            .and_then(Value::as_str)
            .map(str::to_owned)
            .ok_or_else(|| Failure::failed("the service gave no token"))?,
        Answer::Refused(why) => return Err(Failure::failed(why)),
        Answer::Nobody => {
            let mut history = open(&settings)?;
            let now = SystemClock::new().now();
            let (text, token) = tokens::make(gateway, &owner, now)
                .map_err(|e| Failure::failed(format!("no random bytes: {e}")))?;
            history.add_token(&token).map_err(|e| Failure::failed(e.to_string()))?;
            history.close().map_err(|e| Failure::failed(e.to_string()))?;
            text
        }
    };
    eprintln!("The token of {owner}. It is not shown again:");
    println!("{text}");
    Ok(())
}

fn revoke(asked: &TokenOwner) -> Result<(), Failure> {
    let settings = load(&asked.settings)?;
    let (gateway, owner) = owner(asked, &settings)?;
    let count = match control::ask(&settings, &request(Word::TokenRevoke, asked)) {
        Answer::Given(answer) => answer.get("revoked").and_then(Value::as_u64).unwrap_or(0),
        Answer::Refused(why) => return Err(Failure::failed(why)),
        Answer::Nobody => {
            let mut history = open(&settings)?;
            let now = SystemClock::new().now();
            let count = tokens::revoke(&mut history, gateway, &owner, now)
                .map_err(|e| Failure::failed(e.to_string()))?;
            history.close().map_err(|e| Failure::failed(e.to_string()))?;
            count
        }
    };
    let noun = if count == 1 { "token" } else { "tokens" };
    println!("{count} {noun} of {owner} revoked");
    let by_file = settings
        .credentials
        .iter()
        .any(|f| name_of(&settings, f.owner) == Some((gateway, owner.as_str())));
    if by_file {
        eprintln!(
            "The token in its token_file stays good until the file is changed and the service restarted."
        );
    }
    Ok(())
}

fn name_of(settings: &Settings, owner: Owner) -> Option<(bool, &str)> {
    match owner {
        Owner::Station(index) => {
            settings.property.stations.get(usize::from(index.0)).map(|s| (false, s.id.as_str()))
        }
        Owner::Gateway(place) => {
            settings.property.gateways.get(place).map(|g| (true, g.id.as_str()))
        }
    }
}

fn show(settings: &arguments::Settings) -> Result<(), Failure> {
    let settings = load(settings)?;
    for file in &settings.credentials {
        if let Some((gateway, id)) = name_of(&settings, file.owner) {
            let kind = if gateway { "gateway" } else { "station" };
            println!("{kind} {id}: token file {}", file.path.display());
        }
    }
    let reader = match Reader::open(&settings.history.directory, &settings.property, &[], &[]) {
        Ok(reader) => reader,
        Err(error) => {
            eprintln!("isobarn: no kept tokens: {error}");
            return Ok(());
        }
    };
    for kept in reader.look().tokens().map_err(|e| Failure::failed(e.to_string()))? {
        let kind = if kept.token.gateway { "gateway" } else { "station" };
        let state = match kept.revoked {
            Some(when) => format!("revoked {when}"),
            None => "good".to_owned(),
        };
        println!("{kind} {}: made {}, {state}", kept.token.owner, kept.token.created);
    }
    Ok(())
}
