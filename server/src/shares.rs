//! What each address may take, so that nobody can keep everybody else out: connections, waiting for what they say,
//! codes tried, sessions made. A gym shares one address, so the shares are generous and no wait grows.

use std::{
    collections::{BTreeMap, HashMap},
    net::{IpAddr, Ipv6Addr},
    sync::{Arc, Mutex, MutexGuard, PoisonError},
    time::Duration,
};

use hyper::HeaderMap;
use tokio::{
    sync::Notify,
    time::{Instant, timeout},
};

use crate::{
    clock::Clock,
    limits::{Allowance, JOIN_WAIT, KNOWN_FOR, Limits, RESERVE},
};

/// Whose shares are counted together: one IPv4 address, or the /64 that a household or a hall is given of IPv6.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Network(IpAddr);

impl Network {
    /// The one that an address belongs to; an IPv4 address that is written as one of IPv6 is the same.
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

/// Of whom a trusted proxy says that it speaks for them: the last address in the header that is no trusted proxy's. What
/// stands before it anybody may have written.
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
    awaited: HashMap<Network, BTreeMap<u64, Arc<Notify>>>,
    awaited_in_all: usize,
    next: u64,
    /// How many networks there may be before it is looked which of them can be forgotten.
    swept_at: usize,
}

#[derive(Debug)]
struct Share {
    connections: usize,
    tries: Allowance,
    /// Told when a try is given back.
    given_back: Arc<Notify>,
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
            given_back: Arc::default(),
            sessions: Allowance::new(sessions, sessions / 60.0, now),
            known_until: None,
        }
    }

    fn may_be_forgotten(&mut self, now: Instant) -> bool {
        self.connections == 0
            && self.known_until.is_none_or(|until| until <= now)
            && self.tries.is_full(now)
            && self.sessions.is_full(now)
    }
}

impl Book {
    /// Forgets networks that have everything left, when there have come to be many.
    fn sweep(&mut self, now: Instant) {
        if self.shares.len() > self.swept_at {
            self.shares.retain(|_, share| !share.may_be_forgotten(now));
            self.swept_at = 2 * self.shares.len() + 1_024;
        }
    }

    /// One connection that keeps the server waiting gives way: the oldest of this network.
    fn oldest_gives_way(&mut self, network: Network) {
        if let Some(of) = self.awaited.get_mut(&network)
            && let Some((_, leave)) = of.pop_first()
        {
            leave.notify_one();
            self.awaited_in_all -= 1;
            if of.is_empty() {
                self.awaited.remove(&network);
            }
        }
    }

    /// The network that is asked first to give way: one that was never in before one that was, then the one that
    /// keeps the server waiting most, then the one that has done so for longest.
    fn first_to_give_way(&self, now: Instant) -> Option<Network> {
        let known = |network: &Network| {
            let share: Option<&Share> = self.shares.get(network);
            share.and_then(|share| share.known_until).is_some_and(|until| now < until)
        };
        let first =
            |of: &BTreeMap<u64, _>| of.first_key_value().map_or(u64::MAX, |(ticket, _)| *ticket);
        let weigh = |(network, of): &(&Network, &BTreeMap<u64, Arc<Notify>>)| {
            (!known(network), of.len(), u64::MAX - first(of))
        };
        self.awaited.iter().max_by_key(weigh).map(|(network, _)| *network)
    }
}

/// A connection that was counted, until it is dropped.
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

    /// Somebody has been welcomed: this network finds room before those that never were in.
    pub fn was_welcomed(&self) {
        self.with_share(|share, now| share.known_until = Some(now + KNOWN_FOR));
    }

    /// From now on the server waits for what this connection has to say, until the answer is dropped. When too many
    /// keep it waiting, one of them is told by its `leave` to give way.
    #[must_use]
    pub fn awaited(&self, leave: &Arc<Notify>) -> Option<Awaited> {
        let (network, shares) = (self.0.network?, &self.0.shares);
        let now = shares.clock.instant();
        let mut book = shares.book();
        let ticket = book.next;
        book.next += 1;
        let of = book.awaited.entry(network).or_default();
        of.insert(ticket, leave.clone());
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

    /// Waits for a turn to try a code; `None` when none comes within the time that somebody would wait. A right code
    /// gives the try back, so that a class never waits for its own.
    pub async fn turn_to_try(&self) -> Option<Try> {
        let until = self.0.shares.clock.instant() + JOIN_WAIT;
        loop {
            let turn = self.with_share(|share, now| {
                if share.tries.take(now) {
                    Ok(())
                } else {
                    Err((
                        share.tries.next_in(now).min(until.saturating_duration_since(now)),
                        share.given_back.clone(),
                    ))
                }
            });
            match turn {
                None | Some(Ok(())) => return Some(Try(self.clone())),
                Some(Err((Duration::ZERO, _))) => return None,
                // Whatever woke it, it looks again.
                Some(Err((wait, given_back))) => drop(timeout(wait, given_back.notified()).await),
            }
        }
    }

    /// A secret or a key was wrong, which costs as much as a code.
    pub fn was_wrong(&self) {
        self.with_share(|share, now| share.tries.take(now));
    }

    /// Whether one more session may be made from here now.
    #[must_use]
    pub fn may_create(&self) -> bool {
        self.with_share(|share, now| share.sessions.take(now)).unwrap_or(true)
    }
}

/// A try of a code. It is spent when it is dropped.
#[derive(Debug)]
pub struct Try(Guest);

impl Try {
    /// The code was right: it costs nothing, and whoever waits may go on.
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
        // Who gave way was taken off already.
        book.awaited_in_all -= usize::from(was_there);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::ServeArgs;

    fn shares(set: impl FnOnce(&mut Limits)) -> Arc<Shares> {
        let mut limits = ServeArgs::default().settings().unwrap().limits;
        set(&mut limits);
        Arc::new(Shares::new(&limits, Clock::new(1)))
    }

    fn ip(text: &str) -> IpAddr {
        text.parse().unwrap()
    }

    /// Whether a connection was told to give way.
    fn left(leave: &Notify) -> bool {
        let mut told = std::pin::pin!(leave.notified());
        told.as_mut().enable()
    }

    #[test]
    fn a_household_of_version_6_is_one_network_and_so_is_one_address_of_version_4() {
        let same = |one: &str, other: &str| Network::of(ip(one)) == Network::of(ip(other));
        assert!(same("2001:db8:1:2::1", "2001:db8:1:2:ffff:ffff:ffff:ffff"));
        assert!(!same("2001:db8:1:2::1", "2001:db8:1:3::1"));
        assert!(same("::ffff:192.0.2.7", "192.0.2.7") && !same("192.0.2.7", "192.0.2.8"));
    }

    #[test]
    fn a_proxy_is_believed_as_far_as_proxies_are_trusted() {
        let proxies = [ip("10.0.0.1"), ip("10.0.0.2")];
        let client = |lines: &[&str]| {
            let mut headers = HeaderMap::new();
            for line in lines {
                headers.append("x-forwarded-for", line.parse().unwrap());
            }
            client_behind(proxies[0], &headers, "x-forwarded-for", &proxies).to_string()
        };
        assert_eq!(client(&["198.51.100.9"]), "198.51.100.9");
        // What a client has written itself stands to the left of what the proxy adds.
        assert_eq!(client(&["203.0.113.1, 198.51.100.9"]), "198.51.100.9");
        assert_eq!(client(&["203.0.113.1", "198.51.100.9, 10.0.0.2"]), "198.51.100.9");
        assert_eq!(client(&["[2001:db8::7]"]), "2001:db8::7");
        assert_eq!(client(&["203.0.113.1, nonsense"]), "10.0.0.1");
        assert_eq!(client(&["nonsense, 10.0.0.2"]), "10.0.0.2");
        assert_eq!(client(&[]), "10.0.0.1");
    }

    #[tokio::test(start_paused = true)]
    async fn a_silent_crowd_of_one_address_takes_nobody_elses_place() {
        let shares = shares(|_| {});
        let arrive = |from: &str| {
            let (guest, leave) = (shares.arrive(ip(from), 20_000).unwrap(), Arc::default());
            let awaited = guest.awaited(&leave);
            (guest, leave, awaited)
        };
        let honest = arrive("198.51.100.9");
        let crowd: Vec<_> = (0..1_400).map(|_| arrive("203.0.113.1")).collect();
        let gone = crowd.iter().filter(|(_, leave, _)| left(leave)).count();
        assert_eq!(gone, 1_400 - 256, "the newest of them, whoever they are, have time to speak");
        assert!(!left(&honest.1));
        drop(crowd);
        assert_eq!(shares.book().awaited_in_all, 1);
        drop(honest);
        assert!(shares.book().shares.is_empty(), "nothing is remembered of who did nothing wrong");
    }

    #[tokio::test(start_paused = true)]
    async fn crowds_of_many_addresses_give_way_before_those_who_have_been_in() {
        let shares = shares(|_| {});
        let arrive = |from: String| {
            let (guest, leave): (_, Arc<Notify>) =
                (shares.arrive(ip(&from), 20_000).unwrap(), Arc::default());
            (guest.awaited(&leave), guest, leave)
        };
        let before = shares.arrive(ip("198.51.100.9"), 20_000).unwrap();
        before.was_welcomed();
        let back = arrive("198.51.100.9".into());
        // Two from one address among thousands of one each: the heaviest goes first, then the oldest.
        let twins = [arrive("203.0.113.7".into()), arrive("203.0.113.7".into())];
        let many: Vec<_> =
            (0..3_000).map(|n| arrive(format!("10.0.{}.{}", n / 250, n % 250))).collect();
        assert!(!left(&back.2), "an athlete who comes back in mid-piece");
        assert!(left(&twins[0].2));
        assert!(many.iter().take(1_900).all(|(_, _, leave)| left(leave)));
        assert!(many.iter().skip(2_100).all(|(_, _, leave)| !left(leave)));
        // With few connections left they are for those who have been in.
        assert!(shares.arrive(ip("203.0.113.8"), 1_000).is_none());
        assert!(shares.arrive(ip("198.51.100.9"), 1_000).is_some());
        tokio::time::advance(KNOWN_FOR).await;
        assert!(shares.arrive(ip("198.51.100.9"), 1_000).is_none());
    }

    #[test]
    fn an_address_has_a_share_of_all_connections_and_of_sessions() {
        let shares = shares(|limits| {
            (limits.connections_per_address, limits.sessions_per_min_address) = (3, 2);
        });
        let three: Vec<_> =
            (0..3).map(|_| shares.arrive(ip("203.0.113.1"), 20_000).unwrap()).collect();
        assert!(shares.arrive(ip("203.0.113.1"), 20_000).is_none());
        let other = shares.arrive(ip("203.0.113.2"), 20_000).unwrap();
        assert_eq!([(); 3].map(|()| three[0].may_create()), [true, true, false]);
        assert!(other.may_create());
        drop(three);
        assert!(shares.arrive(ip("203.0.113.1"), 20_000).is_some());
        assert!(
            !shares.arrive(ip("203.0.113.1"), 20_000).unwrap().may_create(),
            "coming again helps nobody"
        );
    }

    #[tokio::test(start_paused = true)]
    async fn codes_are_tried_sixty_at_once_and_then_one_a_second_however_many_connections_try() {
        let shares = shares(|_| {});
        let arrive = |from: &str| shares.arrive(ip(from), 20_000).unwrap();
        for _ in 0..60 {
            assert!(arrive("203.0.113.1").turn_to_try().await.is_some());
        }
        let began = Instant::now();
        for _ in 0..10 {
            assert!(arrive("203.0.113.1").turn_to_try().await.is_some());
        }
        let took = began.elapsed().as_secs_f64();
        assert!((9.9..10.2).contains(&took), "no wait grows: {took}");
        // Twenty who come together: those who wait their turn get one, the others are told.
        let (began, guest) = (Instant::now(), arrive("203.0.113.1"));
        let tries = futures_util::future::join_all((0..20).map(|_| guest.turn_to_try())).await;
        let granted = tries.iter().flatten().count();
        assert!((7..=8).contains(&granted) && began.elapsed().as_secs() == 8, "{granted}");
        let began = Instant::now();
        assert!(arrive("203.0.113.2").turn_to_try().await.is_some());
        assert_eq!(began.elapsed(), Duration::ZERO, "another address is not concerned");
    }

    #[tokio::test(start_paused = true)]
    async fn a_class_with_the_right_code_never_waits_however_many_there_are() {
        let shares = shares(|_| {});
        let guest = shares.arrive(ip("203.0.113.1"), 20_000).unwrap();
        let began = Instant::now();
        let one = async || {
            let turn = guest.turn_to_try().await.unwrap();
            tokio::time::sleep(Duration::from_millis(1)).await;
            turn.was_right();
        };
        futures_util::future::join_all((0..3_000).map(|_| one())).await;
        assert!(began.elapsed() < Duration::from_secs(1), "{:?}", began.elapsed());
    }
}
