//! Who may speak for whom: tokens of stations and gateways.
//!
//! The rule kept here: a token is never kept, only its SHA-256; every comparison takes
//! the same time whichever token was meant and however much of it was right; nothing
//! here prints a token or its hash.

use observation::{Property, StationIndex};
use sha2::{Digest as _, Sha256};
use std::fmt;
use std::path::Path;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, PoisonError, RwLock};
use subtle::{Choice, ConditionallySelectable, ConstantTimeEq};

/// Shortest token that is taken, in bytes.
pub const SHORTEST_TOKEN: usize = 8;
/// Longest token that is taken, in bytes.
pub const LONGEST_TOKEN: usize = 512;

/// The place of a gateway in [`Property::gateways`].
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct GatewayIndex(pub u16);

/// Whose token it is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Owner {
    /// A station's own.
    Station(StationIndex),
    /// A base's that speaks for several stations.
    Gateway(GatewayIndex),
}

/// The SHA-256 of a token.
#[derive(Clone, Copy, PartialEq, Eq)]
pub struct Digest([u8; 32]);

impl Digest {
    /// Hashes a token.
    pub fn of(token: &[u8]) -> Self {
        Self(Sha256::digest(token).into())
    }

    /// A hash as the store keeps it.
    pub const fn from_bytes(bytes: [u8; 32]) -> Self {
        Self(bytes)
    }

    /// The hash, for the store.
    pub const fn as_bytes(&self) -> &[u8; 32] {
        &self.0
    }
}

impl fmt::Debug for Digest {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Digest(..)")
    }
}

/// The stations that a sender may speak for.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Grant {
    owner: Option<Owner>,
    stations: Arc<[StationIndex]>,
}

impl Grant {
    /// A grant without a token for exactly one station: a serial line, a topic that
    /// names the station.
    pub fn only(station: StationIndex) -> Self {
        Self { owner: Some(Owner::Station(station)), stations: Arc::from([station]) }
    }

    /// A grant without a token for all stations: a broker that the owner of the house
    /// told us to listen to.
    pub fn every() -> Self {
        Self { owner: None, stations: Arc::from([]) }
    }

    /// Whether it is for all stations, known or not.
    pub const fn is_every(&self) -> bool {
        self.owner.is_none()
    }

    /// Whose token it was; none for [`Grant::every`].
    pub const fn owner(&self) -> Option<Owner> {
        self.owner
    }

    /// Whether the sender may speak for the station.
    pub fn may(&self, station: StationIndex) -> bool {
        self.owner.is_none() || self.stations.contains(&station)
    }

    /// The one station it is for, if it is for exactly one.
    pub fn sole(&self) -> Option<StationIndex> {
        match (self.owner, &*self.stations) {
            (Some(_), &[station]) => Some(station),
            _ => None,
        }
    }
}

#[derive(Clone)]
struct Entry {
    digest: Digest,
    grant: Grant,
}

/// All tokens known to this run. Several tokens of one owner are all good, so that a
/// new one can be carried to the station before the old one is revoked.
#[derive(Default)]
pub struct Credentials {
    names: Vec<(String, Owner)>,
    stations_of_gateways: Vec<Arc<[StationIndex]>>,
    entries: RwLock<Arc<[Entry]>>,
    version: AtomicU64,
}

impl fmt::Debug for Credentials {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "Credentials({} tokens)", self.entries().len())
    }
}

impl Credentials {
    /// The tokens of a property, each with its owner; what names an owner that the
    /// property does not have is left out.
    pub fn new(property: &Property, tokens: impl IntoIterator<Item = (Owner, Digest)>) -> Self {
        let stations = (0..)
            .zip(&property.stations)
            .map(|(i, s)| (s.id.clone(), Owner::Station(StationIndex(i))));
        let gateways = (0..)
            .zip(&property.gateways)
            .map(|(i, g)| (g.id.clone(), Owner::Gateway(GatewayIndex(i))));
        let credentials = Self {
            names: stations.chain(gateways).collect(),
            stations_of_gateways: property
                .gateways
                .iter()
                .map(|g| Arc::from(g.stations.as_slice()))
                .collect(),
            ..Self::default()
        };
        credentials.replace(tokens);
        credentials
    }

    /// Puts other tokens in the place of all known ones; from then on [`Self::version`]
    /// is another, and whoever holds a grant must ask again.
    pub fn replace(&self, tokens: impl IntoIterator<Item = (Owner, Digest)>) {
        let entries: Arc<[Entry]> = tokens
            .into_iter()
            .filter_map(|(owner, digest)| {
                self.grant(owner).map(|grant| Entry { digest, grant })
            })
            .collect();
        *self.entries.write().unwrap_or_else(PoisonError::into_inner) = entries;
        self.version.fetch_add(1, Ordering::AcqRel);
    }

    /// Changes whenever the tokens do. A connection that stays open compares it before
    /// it trusts a grant that it keeps.
    pub fn version(&self) -> u64 {
        self.version.load(Ordering::Acquire)
    }

    /// The owner of a name: a station's or a gateway's identifier.
    pub fn owner(&self, name: &str) -> Option<Owner> {
        self.names.iter().find(|(n, _)| n == name).map(|&(_, owner)| owner)
    }

    /// Who a token speaks for; none if nobody has it.
    pub fn verify(&self, token: &[u8]) -> Option<Grant> {
        let digest = Digest::of(token);
        let entries = self.entries();
        // Every entry is compared whole, and the place is chosen without a branch.
        let (mut place, mut found) = (0_u64, Choice::from(0));
        for (i, entry) in (0_u64..).zip(&*entries) {
            let equal = entry.digest.0.ct_eq(&digest.0);
            place.conditional_assign(&i, equal);
            found |= equal;
        }
        if bool::from(found) { entries.get(usize::try_from(place).ok()?).map(|e| e.grant.clone()) } else { None }
    }

    /// Who a user name and a password speak for: the identifier of a station or a
    /// gateway, and one of its tokens.
    pub fn verify_as(&self, name: &str, password: &[u8]) -> Option<Grant> {
        // The password is always checked, so that an unknown name takes as long.
        let grant = self.verify(password)?;
        (self.owner(name) == grant.owner).then_some(grant)
    }

    fn grant(&self, owner: Owner) -> Option<Grant> {
        let stations = match owner {
            Owner::Station(station) => {
                self.names.iter().find(|&&(_, o)| o == owner)?;
                Arc::from([station])
            }
            Owner::Gateway(index) => {
                Arc::clone(self.stations_of_gateways.get(usize::from(index.0))?)
            }
        };
        Some(Grant { owner: Some(owner), stations })
    }

    fn entries(&self) -> Arc<[Entry]> {
        Arc::clone(&self.entries.read().unwrap_or_else(PoisonError::into_inner))
    }
}

/// The token in the text of a token file: the first line that is neither blank nor
/// begins with `#`, without blanks around it.
///
/// # Errors
/// No such line, or a token that is too short, too long or not made of visible ASCII
/// characters. The message never quotes it.
pub fn token_in(text: &str) -> Result<&str, String> {
    let token = text
        .lines()
        .map(str::trim)
        .find(|line| !line.is_empty() && !line.starts_with('#'))
        .ok_or("there is no token in it: the first line that is neither blank nor begins with `#` is the token")?;
    if !token.bytes().all(|b| b.is_ascii_graphic()) {
        return Err("the token holds a blank or a character outside ASCII".to_owned());
    }
    if token.len() < SHORTEST_TOKEN || token.len() > LONGEST_TOKEN {
        return Err(format!(
            "the token is {} characters long; {SHORTEST_TOKEN} to {LONGEST_TOKEN} are taken",
            token.len()
        ));
    }
    Ok(token)
}

/// Reads a token file and hashes its token.
///
/// # Errors
/// A file that cannot be read or holds no usable token; the message names the file and
/// never quotes it.
pub fn read_token_file(path: &Path) -> Result<Digest, String> {
    let bad = |why: &dyn fmt::Display| format!("token file {}: {why}", path.display());
    let length = std::fs::metadata(path).map_err(|e| bad(&e))?.len();
    if length > 64 * 1024 {
        return Err(bad(&format!("{length} bytes long; a token file is a few lines")));
    }
    let text = std::fs::read_to_string(path).map_err(|e| bad(&e))?;
    token_in(&text).map(|token| Digest::of(token.as_bytes())).map_err(|e| bad(&e))
}
