//! Who may speak for whom: tokens of stations and gateways.
//!
//! The rule kept here: a token is never kept, only its SHA-256; every comparison takes
//! the same time whichever token was meant and however much of it was right; nothing
//! here prints a token or its hash.

pub use config::Owner;
use observation::{Property, StationIndex};
use sha2::{Digest as _, Sha256};
use std::fmt;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, PoisonError, RwLock};
use subtle::{Choice, ConditionallySelectable, ConstantTimeEq};

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
        let gateways =
            (0..).zip(&property.gateways).map(|(i, g)| (g.id.clone(), Owner::Gateway(i)));
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
            .filter_map(|(owner, digest)| self.grant(owner).map(|grant| Entry { digest, grant }))
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
        if bool::from(found) {
            entries.get(usize::try_from(place).ok()?).map(|e| e.grant.clone())
        } else {
            None
        }
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
            Owner::Gateway(index) => Arc::clone(self.stations_of_gateways.get(index)?),
        };
        Some(Grant { owner: Some(owner), stations })
    }

    fn entries(&self) -> Arc<[Entry]> {
        Arc::clone(&self.entries.read().unwrap_or_else(PoisonError::into_inner))
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use observation::property::Gateway;

    fn property() -> Property {
        let station = |id: &str| observation::property::Station {
            id: id.to_owned(),
            name: id.to_owned(),
            latitude: 0.0,
            longitude: 0.0,
            elevation: 0.0,
            interval: observation::Span::minutes(1),
            sleeps: false,
            oldest: observation::Span::days(-31),
            newest: observation::Span::minutes(1),
            time_zone: None,
            time_in_milliseconds: false,
            rate: 1_000.0,
            derive: observation::property::Deriving::default(),
        };
        let mut property = Property::default();
        property.stations = vec![station("orchard"), station("ridge"), station("beck")];
        property.gateways = vec![Gateway {
            id: "loft".to_owned(),
            stations: vec![StationIndex(0), StationIndex(1)],
        }];
        property.indexed()
    }

    const ORCHARD: Owner = Owner::Station(StationIndex(0));
    const LOFT: Owner = Owner::Gateway(0);

    #[test]
    fn a_token_speaks_for_its_owner_only() {
        let credentials = Credentials::new(
            &property(),
            [
                (ORCHARD, Digest::of(b"orchard-1")),
                (ORCHARD, Digest::of(b"orchard-2")),
                (LOFT, Digest::of(b"loft-1")),
            ],
        );
        for token in [&b"orchard-1"[..], b"orchard-2"] {
            let grant = credentials.verify(token).unwrap();
            assert_eq!((grant.owner(), grant.sole()), (Some(ORCHARD), Some(StationIndex(0))));
            assert!(grant.may(StationIndex(0)) && !grant.may(StationIndex(1)));
        }
        let grant = credentials.verify(b"loft-1").unwrap();
        assert!(
            grant.may(StationIndex(0)) && grant.may(StationIndex(1)) && !grant.may(StationIndex(2))
        );
        assert_eq!(grant.sole(), None);
        for wrong in [&b""[..], b"orchard-3", b"orchard", b"orchard-1 ", b"ORCHARD-1"] {
            assert_eq!(credentials.verify(wrong), None);
        }
    }

    #[test]
    fn a_password_counts_only_under_its_owners_name() {
        let credentials = Credentials::new(
            &property(),
            [(ORCHARD, Digest::of(b"orchard-1")), (LOFT, Digest::of(b"loft-1"))],
        );
        assert_eq!(credentials.verify_as("orchard", b"orchard-1").unwrap().owner(), Some(ORCHARD));
        assert_eq!(credentials.verify_as("loft", b"loft-1").unwrap().owner(), Some(LOFT));
        for (name, password) in [
            ("ridge", &b"orchard-1"[..]),
            ("orchard", b"loft-1"),
            ("nobody", b"orchard-1"),
            ("", b""),
        ] {
            assert_eq!(credentials.verify_as(name, password), None, "{name}");
        }
    }

    #[test]
    fn a_revoked_token_is_nobodys_and_the_version_tells() {
        let credentials = Credentials::new(&property(), [(ORCHARD, Digest::of(b"old"))]);
        let version = credentials.version();
        credentials.replace([(ORCHARD, Digest::of(b"new"))]);
        assert_ne!(credentials.version(), version);
        assert_eq!(credentials.verify(b"old"), None);
        assert!(credentials.verify(b"new").is_some());
    }

    #[test]
    fn an_owner_that_does_not_exist_gets_nothing() {
        let credentials = Credentials::new(
            &property(),
            [
                (Owner::Station(StationIndex(9)), Digest::of(b"a")),
                (Owner::Gateway(1), Digest::of(b"b")),
            ],
        );
        assert_eq!((credentials.verify(b"a"), credentials.verify(b"b")), (None, None));
    }

    // FIPS 180-4 (2015); the digest of "abc" is that of NIST's example computation.
    #[test]
    fn hashes_are_sha_256_and_are_never_printed() {
        let digest = Digest::of(b"abc");
        let known = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad";
        for (i, byte) in digest.as_bytes().iter().enumerate() {
            assert_eq!(format!("{byte:02x}"), known[2 * i..2 * i + 2]);
        }
        let credentials = Credentials::new(&property(), [(ORCHARD, digest)]);
        assert_eq!(format!("{digest:?} {credentials:?}"), "Digest(..) Credentials(1 tokens)");
    }
}
