//! What an address may take, tried out.

use std::time::Duration;

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
    // What a client has written itself is to the left of what the proxy adds.
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
    // Two from one address among thousands with one each: the heaviest goes first, then the oldest.
    let twins = [arrive("203.0.113.7".into()), arrive("203.0.113.7".into())];
    let many: Vec<_> =
        (0..3_000).map(|n| arrive(format!("10.0.{}.{}", n / 250, n % 250))).collect();
    assert!(!left(&back.2), "an athlete who comes back in mid-piece");
    assert!(left(&twins[0].2));
    assert!(many.iter().take(1_900).all(|(_, _, leave)| left(leave)));
    assert!(many.iter().skip(2_100).all(|(_, _, leave)| !left(leave)));
    // When few connections are left, they are for those who have been in.
    assert!(shares.arrive(ip("203.0.113.8"), 1_000).is_none());
    assert!(shares.arrive(ip("198.51.100.9"), 1_000).is_some());
    tokio::time::advance(KNOWN_FOR).await;
    assert!(shares.arrive(ip("198.51.100.9"), 1_000).is_none());
}

/// After a restart nobody is known, and a gym behind one address weighs more than each of those.
#[tokio::test(start_paused = true)]
async fn a_gym_that_comes_back_to_a_new_start_does_not_give_way_to_silent_strangers() {
    let shares = shares(|_| {});
    let arrive = |from: String| {
        let (guest, leave): (_, Arc<Notify>) =
            (shares.arrive(ip(&from), 20_000).unwrap(), Arc::default());
        (guest.awaited(&leave), guest, leave)
    };
    let silent: Vec<_> =
        (0..990).map(|n| arrive(format!("10.0.{}.{}", n / 250, n % 250))).collect();
    tokio::time::advance(SILENT_AFTER).await;
    let gym: Vec<_> = (0..60).map(|_| arrive("198.51.100.9".into())).collect();
    assert!(gym.iter().all(|(_, _, leave)| !left(leave)));
    assert_eq!(silent.iter().filter(|(_, _, leave)| left(leave)).count(), 50);
}

#[test]
fn an_address_has_a_share_of_all_connections_and_of_sessions() {
    let shares = shares(|limits| {
        (limits.connections_per_address, limits.sessions_per_min_address) = (3, 2);
    });
    let three: Vec<_> = (0..3).map(|_| shares.arrive(ip("203.0.113.1"), 20_000).unwrap()).collect();
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

/// Guessers who ask again as soon as they are answered, and somebody beside them who has the code.
#[tokio::test(start_paused = true)]
async fn somebody_who_joins_beside_guessers_has_a_turn_when_those_before_have_had_theirs() {
    let shares = shares(|_| {});
    let guest = shares.arrive(ip("203.0.113.1"), 20_000).unwrap();
    for _ in 0..60 {
        drop(guest.turn_to_try().await);
    }
    for _ in 0..6 {
        let guesser = guest.clone();
        tokio::spawn(async move {
            loop {
                drop(guesser.turn_to_try().await);
            }
        });
    }
    let mut waits = Vec::new();
    for nth in 0..40_u64 {
        tokio::time::advance(Duration::from_millis(1_000 + 137 * nth % 1_000)).await;
        let began = Instant::now();
        let turn = guest.turn_to_try().await;
        assert!(turn.is_some(), "number {nth} is sent away after {waits:?}");
        turn.unwrap().was_right();
        waits.push(began.elapsed().as_secs_f64());
    }
    let longest = waits.iter().copied().fold(0.0, f64::max);
    assert!(longest <= 7.01, "{waits:?}");
}

#[tokio::test(start_paused = true)]
async fn wrong_secrets_are_told_late_and_no_join_waits_for_them() {
    let shares = shares(|_| {});
    let guest = shares.arrive(ip("203.0.113.1"), 20_000).unwrap();
    let began = Instant::now();
    for _ in 0..60 {
        guest.was_wrong_secret().await;
    }
    assert_eq!(began.elapsed(), Duration::ZERO);
    for _ in 0..10 {
        guest.was_wrong_secret().await;
    }
    let took = began.elapsed().as_secs_f64();
    assert!((9.9..10.2).contains(&took), "{took}");
    futures_util::future::join_all((0..200).map(|_| guest.was_wrong_secret())).await;
    let took = began.elapsed().as_secs_f64();
    assert!((17.9..18.5).contains(&took), "nobody is kept for longer: {took}");
    let began = Instant::now();
    assert!(guest.turn_to_try().await.is_some());
    assert_eq!(began.elapsed(), Duration::ZERO);
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
