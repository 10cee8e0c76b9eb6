//! What each address may take, so that nobody can keep everybody else out: connections, waiting for what they say,
//! codes tried, sessions made. A gym shares one address, so the shares are generous and no wait grows.

use std::{
    collections::{BTreeMap, HashMap},
    net::{IpAddr, Ipv6Addr},
    sync::{Arc, Mutex, MutexGuard, PoisonError},
};

use hyper::HeaderMap;
use tokio::{
    sync::Notify,
    time::{Instant, sleep, timeout, timeout_at},
};

use crate::{
    clock::Clock,
    limits::{Allowance, JOIN_WAIT, KNOWN_FOR, Limits, RESERVE, SILENT_AFTER},
};

/// Whose shares are counted together: one IPv4 address, or the IPv6 /64 that a household or a hall is given.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Network(IpAddr);

impl Network {
    /// The one that an address belongs to; an IPv4 address written as IPv6 is the same.
    #[must_use]
    pub fn of(ip: IpAddr) -> Network {
        Network(match ip.to_canonical() {
            IpAddr::V6(six) => {
                IpAddr::V6(Ipv6Addr::from_bits(six.to_bits() & !u128::from(u64::MAX)))
            }
            four @ IpAddr::V4(_) => four,
        })
    }
}

/// The client for whom a trusted proxy says it speaks: the last address in the header that is not a trusted proxy's.
/// What comes before it anybody may have written.
#[must_use]
pub fn client_behind(proxy: IpAddr, headers: &HeaderMap, name: &str, proxies: &[IpAddr]) -> IpAddr {
    let lines: Vec<&str> =
        headers.get_all(name).iter().map(|line| line.to_str().unwrap_or("unreadable")).collect();
    let mut nearest = proxy;
    for said in lines.iter().flat_map(|line| line.split(',')).rev() {
        let Ok(ip) = said.trim().trim_matches(['[', ']']).parse::<IpAddr>() else { break };
        nearest = ip.to_canonical();
        if !proxies.contains(&nearest) {
            break;
        }
    }
    nearest
}

/// The shares of all addresses.
#[derive(Debug)]
pub struct Shares {
    book: Mutex<Book>,
    clock: Clock,
    limits: Limits,
}

#[derive(Debug, Default)]
struct Book {
    shares: HashMap<Network, Share>,
    /// Connections that keep the server waiting, by their network, the oldest first.
    awaited: HashMap<Network, BTreeMap<u64, Waited>>,
    awaited_in_all: usize,
    next: u64,
    /// How many networks there may be before looking which of them can be forgotten.
    swept_at: usize,
}

/// A connection that keeps the server waiting.
#[derive(Debug)]
struct Waited {
    since: Instant,
    leave: Arc<Notify>,
}

#[derive(Debug)]
struct Share {
    connections: usize,
    tries: Allowance,
    /// Those who wait for an attempt wait behind those who came before: held by the first of them.
    queue: Arc<tokio::sync::Mutex<()>>,
    /// Notified when an attempt is given back.
    given_back: Arc<Notify>,
    secrets: Allowance,
    sessions: Allowance,
    known_until: Option<Instant>,
}

impl Shares {
    /// Nobody has taken anything yet.
    #[must_use]
    pub fn new(limits: &Limits, clock: Clock) -> Shares {
        Shares { book: Mutex::default(), clock, limits: limits.clone() }
    }

    fn book(&self) -> MutexGuard<'_, Book> {
        self.book.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Counts a connection while `free` more could be taken; `None` when its network has as many as it may, or when
    /// those that are left are kept for networks that have been in.
    #[must_use]
    pub fn arrive(self: &Arc<Self>, ip: IpAddr, free: usize) -> Option<Guest> {
        let (network, now) = (Network::of(ip), self.clock.instant());
        let mut book = self.book();
        book.sweep(now);
        let share = book.shares.entry(network).or_insert_with(|| Share::new(&self.limits, now));
        let is_known = share.known_until.is_some_and(|until| now < until);
        if share.connections >= self.limits.connections_per_address
            || (free < self.limits.connections / RESERVE && !is_known)
        {
            return None;
        }
        share.connections += 1;
        Some(Guest(Arc::new(Arrived { shares: self.clone(), network: Some(network) })))
    }

    /// A connection of a trusted proxy, which speaks for many and has no share of its own.
    #[must_use]
    pub fn proxied(self: &Arc<Self>) -> Guest {
        Guest(Arc::new(Arrived { shares: self.clone(), network: None }))
    }
}

impl Share {
    fn new(limits: &Limits, now: Instant) -> Share {
        let sessions = f64::from(limits.sessions_per_min_address);
        Share {
            connections: 0,
            tries: Allowance::new(f64::from(limits.wrong_codes), 1.0, now),
            queue: Arc::default(),
            given_back: Arc::default(),
            secrets: Allowance::new(f64::from(limits.wrong_codes), 1.0, now),
            sessions: Allowance::new(sessions, sessions / 60.0, now),
            known_until: None,
        }
    }

    fn may_be_forgotten(&mut self, now: Instant) -> bool {
        self.connections == 0
            && self.known_until.is_none_or(|until| until <= now)
            && self.tries.is_full(now)
            && self.secrets.is_full(now)
            && self.sessions.is_full(now)
    }
}

impl Book {
    /// Forgets networks that have used nothing up, once there are many.
    fn sweep(&mut self, now: Instant) {
        if self.shares.len() > self.swept_at {
            self.shares.retain(|_, share| !share.may_be_forgotten(now));
            self.swept_at = 2 * self.shares.len() + 1_024;
        }
    }

    /// One connection that keeps the server waiting gives way: the oldest of this network.
    fn oldest_gives_way(&mut self, network: Network) {
        if let Some(of) = self.awaited.get_mut(&network)
            && let Some((_, waited)) = of.pop_first()
        {
            waited.leave.notify_one();
            self.awaited_in_all -= 1;
            if of.is_empty() {
                self.awaited.remove(&network);
            }
        }
    }

    /// The network that is asked first to give way: one with somebody who has said nothing for long before one where
    /// everybody has just come, since whoever knows what they want says so at once (after a restart nobody is known, and
    /// a gym that comes back together weighs more than each of a thousand silent strangers); then one that was never in
    /// before one that was; then the one that keeps the server waiting with the most connections; then the one that has
    /// done so for longest.
    fn first_to_give_way(&self, now: Instant) -> Option<Network> {
        let known = |network: &Network| {
            let share: Option<&Share> = self.shares.get(network);
            share.and_then(|share| share.known_until).is_some_and(|until| now < until)
        };
        let weigh = |(network, of): &(&Network, &BTreeMap<u64, Waited>)| {
            let Some((ticket, waited)) = of.first_key_value() else { return Default::default() };
            let is_silent = now.duration_since(waited.since) >= SILENT_AFTER;
            (is_silent, !known(network), of.len(), u64::MAX - ticket)
        };
        self.awaited.iter().max_by_key(weigh).map(|(network, _)| *network)
    }
}

/// A connection that was counted, until this is dropped.
#[derive(Clone, Debug)]
pub struct Guest(Arc<Arrived>);

#[derive(Debug)]
struct Arrived {
    shares: Arc<Shares>,
    /// `None` for a proxy's own.
    network: Option<Network>,
}

impl Drop for Arrived {
    fn drop(&mut self) {
        let (Some(network), now) = (self.network, self.shares.clock.instant()) else { return };
        let mut book = self.shares.book();
        let Some(share) = book.shares.get_mut(&network) else { return };
        share.connections -= 1;
        if share.may_be_forgotten(now) {
            book.shares.remove(&network);
        }
    }
}

impl Guest {
    fn with_share<T>(&self, then: impl FnOnce(&mut Share, Instant) -> T) -> Option<T> {
        let (network, now) = (self.0.network?, self.0.shares.clock.instant());
        self.0.shares.book().shares.get_mut(&network).map(|share| then(share, now))
    }

    /// Somebody has been let in: this network finds room before those that never were in.
    pub fn was_welcomed(&self) {
        self.with_share(|share, now| share.known_until = Some(now + KNOWN_FOR));
    }

    /// From now on the server waits for what this connection has to say, until the returned value is dropped. When
    /// too many keep it waiting, one of them is told by its `leave` to give way.
    #[must_use]
    pub fn awaited(&self, leave: &Arc<Notify>) -> Option<Awaited> {
        let (network, shares) = (self.0.network?, &self.0.shares);
        let now = shares.clock.instant();
        let mut book = shares.book();
        let ticket = book.next;
        book.next += 1;
        let of = book.awaited.entry(network).or_default();
        of.insert(ticket, Waited { since: now, leave: leave.clone() });
        let over_share = of.len() > shares.limits.strangers_per_address;
        book.awaited_in_all += 1;
        if over_share {
            book.oldest_gives_way(network);
        } else if book.awaited_in_all > shares.limits.strangers
            && let Some(first) = book.first_to_give_way(now)
        {
            book.oldest_gives_way(first);
        }
        Some(Awaited { shares: shares.clone(), network, ticket })
    }

    /// Waits for a turn to try a code, behind those of this network who came before; `None` when none comes within the
    /// time that somebody would wait. A right code gives the attempt back, so that a class never waits for its own
    /// members.
    pub async fn turn_to_try(&self) -> Option<Try> {
        let until = self.0.shares.clock.instant() + JOIN_WAIT;
        let waits = self.with_share(|share, _| (share.queue.clone(), share.given_back.clone()));
        let Some((queue, given_back)) = waits else { return Some(Try(self.clone())) };
        let turn = async {
            let _first = queue.lock().await;
            while let Some(Err(wait)) = self.with_share(|share, now| {
                if share.tries.take(now) { Ok(()) } else { Err(share.tries.next_in(now)) }
            }) {
                // Whatever woke it, it looks again.
                let _ = timeout(wait, given_back.notified()).await;
            }
        };
        timeout_at(until, turn).await.ok().map(|()| Try(self.clone()))
    }

    /// A key was wrong, which costs as much as a wrong code.
    pub fn was_wrong(&self) {
        self.with_share(|share, now| share.tries.take(now));
    }

    /// A secret was wrong: somebody who tries many is told so late. Right ones have been let in before this, for there
    /// are so many secrets that nobody finds one by asking; and no join from this network waits for it.
    pub async fn was_wrong_secret(&self) {
        let wait =
            self.with_share(|share, now| share.secrets.book(now, JOIN_WAIT).unwrap_or(JOIN_WAIT));
        sleep(wait.unwrap_or_default()).await;
    }

    /// Whether one more session may be made from here now.
    #[must_use]
    pub fn may_create(&self) -> bool {
        self.with_share(|share, now| share.sessions.take(now)).unwrap_or(true)
    }
}

/// An attempt at a code. It is used up when this is dropped.
#[derive(Debug)]
pub struct Try(Guest);

impl Try {
    /// The code was right: it costs nothing, and whoever is waiting may go on.
    pub fn was_right(self) {
        self.0.with_share(|share, _| {
            share.tries.give_back();
            share.given_back.notify_one();
        });
    }
}

/// A connection that the server waits for, until it is dropped.
#[derive(Debug)]
pub struct Awaited {
    shares: Arc<Shares>,
    network: Network,
    ticket: u64,
}

impl Drop for Awaited {
    fn drop(&mut self) {
        let mut book = self.shares.book();
        let Some(of) = book.awaited.get_mut(&self.network) else { return };
        let was_there = of.remove(&self.ticket).is_some();
        if of.is_empty() {
            book.awaited.remove(&self.network);
        }
        // Whoever gave way was taken off already.
        book.awaited_in_all -= usize::from(was_there);
    }
}

#[cfg(test)]
mod tests;
