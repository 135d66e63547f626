//! Room for connections: a number for all, a number for each address, and some that are kept for webhooks.

use std::collections::HashMap;
use std::net::IpAddr;
use std::sync::{Arc, Mutex, PoisonError};

use super::limits::Limits;
use super::visit::network;
use crate::metrics::Turned;

/// One address may hold so many of the places that are kept for webhooks.
const RESERVED_PER_ADDRESS: usize = 4;

/// Who has which place. Cheap to clone.
#[derive(Clone)]
pub(super) struct Places(Arc<Room>);

struct Room {
    connections: usize,
    for_webhooks: usize,
    per_address: usize,
    trusted: Vec<IpAddr>,
    taken: Mutex<Taken>,
}

#[derive(Default)]
struct Taken {
    open: usize,
    reserved: usize,
    by_address: HashMap<IpAddr, Holds>,
}

#[derive(Clone, Copy, Default)]
struct Holds {
    open: usize,
    reserved: usize,
}

/// A connection's place, until it is dropped.
pub(super) struct Place {
    /// It is one of those kept for webhooks.
    pub reserved: bool,
    of: IpAddr,
    room: Places,
}

impl Places {
    pub fn new(limits: &Limits, trusted: &[IpAddr]) -> Self {
        Self(Arc::new(Room {
            connections: limits.connections,
            for_webhooks: limits.for_webhooks,
            per_address: limits.per_address,
            trusted: trusted.to_vec(),
            taken: Mutex::default(),
        }))
    }

    /// A place, or why there is none.
    pub fn take(&self, peer: IpAddr) -> Result<Place, Turned> {
        let room = &self.0;
        let peer = peer.to_canonical();
        // Behind a proxy stand many people.
        let trusted = room.trusted.contains(&peer);
        let of = if peer.is_ipv6() { network(peer) } else { peer };
        let mut taken = self.taken();
        let holds = taken.by_address.get(&of).copied().unwrap_or_default();
        if !trusted && holds.open + holds.reserved >= room.per_address {
            return Err(Turned::Address);
        }
        let reserved = taken.open >= room.connections;
        if reserved && (taken.reserved >= room.for_webhooks || (!trusted && holds.reserved >= RESERVED_PER_ADDRESS)) {
            return Err(Turned::Full);
        }
        let held = taken.by_address.entry(of).or_default();
        if reserved {
            held.reserved += 1
        } else {
            held.open += 1
        }
        if reserved {
            taken.reserved += 1
        } else {
            taken.open += 1
        }
        Ok(Place { reserved, of, room: self.clone() })
    }

    fn taken(&self) -> std::sync::MutexGuard<'_, Taken> {
        // A thread that panicked here left nothing half done.
        self.0.taken.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

impl Drop for Place {
    fn drop(&mut self) {
        let mut taken = self.room.taken();
        if self.reserved {
            taken.reserved -= 1
        } else {
            taken.open -= 1
        }
        if let Some(held) = taken.by_address.get_mut(&self.of) {
            if self.reserved {
                held.reserved -= 1
            } else {
                held.open -= 1
            }
            if held.open + held.reserved == 0 {
                taken.by_address.remove(&self.of);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ip(text: &str) -> IpAddr {
        text.parse().unwrap()
    }

    fn places(trusted: &[IpAddr]) -> Places {
        Places::new(&Limits { connections: 6, for_webhooks: 3, per_address: 4, ..Limits::default() }, trusted)
    }

    #[test]
    fn an_address_has_its_number_and_a_place_comes_back() {
        let places = places(&[]);
        let mut held: Vec<Place> = (0..4).map(|_| places.take(ip("192.0.2.1")).ok().unwrap()).collect();
        assert_eq!(places.take(ip("192.0.2.1")).err(), Some(Turned::Address));
        assert_eq!(places.take(ip("::ffff:192.0.2.1")).err(), Some(Turned::Address), "the same address");
        assert!(places.take(ip("192.0.2.2")).is_ok());
        held.pop();
        assert!(places.take(ip("192.0.2.1")).is_ok());
        drop(held);
        assert!(places.taken().by_address.is_empty(), "nobody is remembered");
    }

    #[test]
    fn a_network_over_ipv6_is_one_address() {
        let places = places(&[]);
        let _held: Vec<Place> =
            (0..4).map(|last| places.take(ip(&format!("2001:db8:1:2::{last}"))).ok().unwrap()).collect();
        assert_eq!(places.take(ip("2001:db8:1:2::9")).err(), Some(Turned::Address));
        assert!(places.take(ip("2001:db8:1:3::9")).is_ok());
    }

    #[test]
    fn when_all_is_taken_webhooks_still_have_room() {
        let places = places(&[ip("127.0.0.1")]);
        let held: Vec<Place> = (0..9).map(|_| places.take(ip("127.0.0.1")).ok().unwrap()).collect();
        let kept: Vec<bool> = held.iter().map(|place| place.reserved).collect();
        assert_eq!(kept, [false, false, false, false, false, false, true, true, true], "a proxy is many people");
        assert_eq!(places.take(ip("192.0.2.1")).err(), Some(Turned::Full));
    }
}
