//! Who is connected, and who has to go when there is no room.
//!
//! The rule kept here: a newcomer is never turned away because others sit idle. What
//! has waited longest without a request of its own being answered goes first: those
//! that never got one through, then those between two requests.

use super::connection::{Line, Phase};
use std::collections::HashMap;
use std::net::IpAddr;
use std::sync::{Arc, Mutex, PoisonError};

/// The open connections of one listener.
#[derive(Debug)]
pub(super) struct Seats {
    most: usize,
    most_per_address: usize,
    taken: Mutex<HashMap<u64, Arc<Line>>>,
}

/// What became of a newcomer.
#[derive(Debug, PartialEq, Eq)]
pub(super) enum Seated {
    /// There was room.
    Free,
    /// Another had to go.
    Instead,
    /// All others are being answered.
    Nowhere,
}

impl Seats {
    pub(super) fn new(most: usize, most_per_address: usize) -> Self {
        Self { most, most_per_address, taken: Mutex::new(HashMap::new()) }
    }

    /// Finds room for a newcomer.
    pub(super) fn take(&self, line: &Arc<Line>) -> Seated {
        let mut taken = self.taken.lock().unwrap_or_else(PoisonError::into_inner);
        let address = line.peer().ip();
        let same = taken.values().filter(|l| l.peer().ip() == address).count();
        let seated = if same >= self.most_per_address {
            make_room(&mut taken, Some(address))
        } else if taken.len() >= self.most {
            make_room(&mut taken, None)
        } else {
            Seated::Free
        };
        if seated != Seated::Nowhere {
            taken.insert(line.number(), Arc::clone(line));
        }
        seated
    }

    /// A connection has ended.
    pub(super) fn leave(&self, number: u64) {
        self.taken.lock().unwrap_or_else(PoisonError::into_inner).remove(&number);
    }
}

fn make_room(taken: &mut HashMap<u64, Arc<Line>>, address: Option<IpAddr>) -> Seated {
    let first = taken
        .values()
        .filter(|line| address.is_none_or(|a| line.peer().ip() == a))
        .filter(|line| line.phase() != Phase::Answering)
        .min_by_key(|line| (line.was_answered(), line.number()))
        .map(|line| line.number());
    match first.and_then(|number| taken.remove(&number)) {
        Some(line) => {
            line.evict();
            Seated::Instead
        }
        None => Seated::Nowhere,
    }
}
