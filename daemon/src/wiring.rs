//! From settings to the things that run: every fault of the document and of its
//! sources in one go, so that `check` refuses exactly what `run` would refuse.

use crate::arguments;
use crate::commands::Failure;
use crate::logging;
use adapters::forwarders;
use adapters::forwarders::port::Forwarder;
use adapters::port::{Claim, Source};
use adapters::sources;
use config::{AdapterTable, Fault, Faults, Settings};
use observation::Property;
use std::net::SocketAddr;
use std::path::Path;
use std::sync::Arc;

/// A source with its names.
pub struct NamedSource {
    /// Its name in the settings, unique among all sources and forwarders.
    pub name: String,
    /// Its kind.
    pub kind: &'static str,
    /// The source.
    pub source: Box<dyn Source>,
}

/// A forwarder with its names.
pub struct NamedForwarder {
    /// Its name in the settings, unique among all sources and forwarders.
    pub name: String,
    /// Its kind.
    pub kind: &'static str,
    /// The forwarder.
    pub forwarder: Arc<dyn Forwarder>,
}

/// Settings that were found sound, with their sources and forwarders built.
pub struct Wired {
    /// The settings.
    pub settings: Settings,
    /// The stations and channels, shared.
    pub property: Arc<Property>,
    /// The sources, in the order of the settings: the place is the source's index.
    pub sources: Vec<NamedSource>,
    /// The forwarders, in the order of the settings.
    pub forwarders: Vec<NamedForwarder>,
}

/// Loads the settings, builds the sources and forwarders and looks for collisions. Opens and starts
/// nothing.
///
/// # Errors
/// Everything that is wrong, printed to standard error already; status 78.
pub fn load(arguments: &arguments::Settings) -> Result<Wired, Failure> {
    let examined = config::examine(&arguments.config, &arguments.set);
    let Some(settings) = examined.settings else {
        return Err(match Faults::of(examined.faults) {
            Some(faults) => refused(&faults),
            None => Failure::settings("the settings cannot be read"),
        });
    };
    build(settings, examined.faults).map_err(|faults| refused(&faults))
}

/// Prints all faults and says how many.
pub fn refused(faults: &Faults) -> Failure {
    let colour = logging::colour();
    for fault in faults {
        eprint!("{}", fault.render(colour));
    }
    let count = faults.len();
    let noun = if count == 1 { "fault" } else { "faults" };
    Failure::settings(format!("settings refused, {count} {noun}"))
}

/// Builds everything; `faults` are those of the document itself.
///
/// # Errors
/// Those, unknown kinds, what the kinds find wrong in their tables, two that claim the same.
fn build(settings: Settings, mut faults: Vec<Fault>) -> Result<Wired, Faults> {
    let property = Arc::new(settings.property.clone());
    let mut built = Vec::new();
    for table in &settings.sources {
        let kinds = sources::KINDS.iter().map(|k| k.name);
        match kind(table, "source", kinds).and_then(|at| {
            sources::KINDS.get(at).ok_or_else(|| table.fault("this kind cannot be built", None))
        }) {
            Ok(kind) => match (kind.build)(table, &property) {
                Ok(source) => {
                    built.push((
                        table,
                        NamedSource { name: table.name.clone(), kind: kind.name, source },
                    ));
                }
                Err(found) => faults.extend(found),
            },
            Err(fault) => faults.push(fault),
        }
    }
    let mut forwarders = Vec::new();
    for table in &settings.forwarders {
        match forwarder(table, &property) {
            Ok(forwarder) => forwarders.push(forwarder),
            Err(found) => faults.extend(found),
        }
    }
    faults.extend(same_names(&settings));
    faults.extend(collisions(settings.http.listen, &built));
    if let Some(faults) = Faults::of(faults) {
        return Err(faults);
    }
    let sources = built.into_iter().map(|(_, source)| source).collect();
    Ok(Wired { settings, property, sources, forwarders })
}

fn forwarder(table: &AdapterTable, property: &Arc<Property>) -> Result<NamedForwarder, Vec<Fault>> {
    let kinds = forwarders::KINDS;
    let at = kind(table, "forward", kinds.iter().map(|k| k.name)).map_err(|fault| vec![fault])?;
    let Some(kind) = kinds.get(at) else {
        return Err(vec![table.fault("this kind cannot be built", None)]);
    };
    let forwarder = (kind.build)(table, property)?;
    Ok(NamedForwarder {
        name: table.name.clone(),
        kind: kind.name,
        forwarder: Arc::from(forwarder),
    })
}

/// The place of a table's kind among the known ones.
fn kind(
    table: &AdapterTable,
    family: &str,
    names: impl Iterator<Item = &'static str> + Clone,
) -> Result<usize, Fault> {
    names.clone().position(|name| name == table.kind).ok_or_else(|| {
        let help = match config::nearest(&table.kind, names.clone()) {
            Some(near) => format!("did you mean [{family}.{near}.{}]?", table.name),
            None => format!("known kinds: {}", names.collect::<Vec<_>>().join(", ")),
        };
        let noun = if family == "source" { "source" } else { "forwarder" };
        table.fault(&format!("`{}` is no kind of {noun}", table.kind), Some(&help))
    })
}

/// Names that a source and a forwarder share.
fn same_names(settings: &Settings) -> Vec<Fault> {
    settings
        .forwarders
        .iter()
        .filter_map(|table| {
            let source = settings.sources.iter().find(|s| s.name == table.name)?;
            let message =
                format!("there is a source named `{}`, [{}]", table.name, source.header());
            Some(
                table.fault(
                    &message,
                    Some("give one of them another name: status knows them by it"),
                ),
            )
        })
        .collect()
}

/// Two that want the same address or device.
fn collisions(page: SocketAddr, sources: &[(&AdapterTable, NamedSource)]) -> Vec<Fault> {
    let mut held: Vec<(String, Claim)> =
        vec![("the page, [http]".to_owned(), Claim::Address(page))];
    let mut faults = Vec::new();
    for (table, source) in sources {
        for claim in source.source.claims() {
            if let Some((holder, _)) = held.iter().find(|(_, other)| collide(other, &claim)) {
                let what = match &claim {
                    Claim::Address(address) => format!("address {address}"),
                    Claim::Device(device) => format!("device {device}"),
                };
                faults.push(table.fault(
                    &format!("{what} is claimed by {holder} already"),
                    Some("give one of them another, or make them one source"),
                ));
            } else {
                held.push((format!("[source.{}.{}]", source.kind, source.name), claim));
            }
        }
    }
    faults
}

fn collide(one: &Claim, other: &Claim) -> bool {
    match (one, other) {
        (Claim::Address(a), Claim::Address(b)) => {
            a.port() == b.port()
                && a.port() != 0
                && (a.ip() == b.ip() || a.ip().is_unspecified() || b.ip().is_unspecified())
        }
        (Claim::Device(a), Claim::Device(b)) => a == b || same_device(a, b),
        _ => false,
    }
}

/// Two names of one device; a device that is not there now is only its name.
fn same_device(a: &str, b: &str) -> bool {
    let real = |name: &str| Path::new(name).canonicalize().ok();
    matches!((real(a), real(b)), (Some(a), Some(b)) if a == b)
}

#[cfg(test)]
#[allow(clippy::unwrap_used)]
mod tests {
    use super::*;

    fn address(text: &str) -> Claim {
        Claim::Address(text.parse().unwrap())
    }

    #[test]
    fn the_same_port_collides_unless_the_hosts_differ_or_any_port_will_do() {
        assert!(collide(&address("127.0.0.1:80"), &address("127.0.0.1:80")));
        assert!(collide(&address("0.0.0.0:80"), &address("127.0.0.1:80")));
        assert!(!collide(&address("127.0.0.1:80"), &address("127.0.0.2:80")));
        assert!(!collide(&address("127.0.0.1:80"), &address("127.0.0.1:81")));
        assert!(!collide(&address("127.0.0.1:0"), &address("127.0.0.1:0")));
    }

    #[test]
    fn two_names_of_one_device_collide() {
        let folder = tempfile::tempdir().unwrap();
        let (device, link) = (folder.path().join("device"), folder.path().join("link"));
        std::fs::write(&device, "").unwrap();
        std::os::unix::fs::symlink(&device, &link).unwrap();
        let claim = |path: &Path| Claim::Device(path.to_str().unwrap().to_owned());
        assert!(collide(&claim(&device), &claim(&link)));
        assert!(!collide(&claim(&device), &Claim::Device("/nowhere/else".to_owned())));
    }
}
