//! Codes, keys and secrets that are tried out, and what that costs.

use super::*;

#[tokio::test(start_paused = true)]
async fn five_wrong_codes_or_keys_close_a_connection_and_a_right_one_after_four_is_let_in() {
    let gym = Gym::new().await;
    let wrong = json!({"type": "join", "code": "ZUZU ZUZU", "name": "Ana"});
    let wrong_key = json!({"type": "create", "title": "Another", "key": "a guess"});
    let mut guesser = Device::dial(&gym.server, 1 << 16).await;
    for said in [&wrong, &wrong_key, &wrong, &wrong, &wrong] {
        guesser.say(said.clone()).await;
        guesser.hears("refused").await;
    }
    assert_eq!(guesser.is_closed().await, Close::WrongTooOften.code());
    let mut clumsy = Device::dial(&gym.server, 1 << 16).await;
    for _ in 0..4 {
        clumsy.say(wrong.clone()).await;
        assert_eq!(clumsy.hears("refused").await["refusal"]["why"], "unknown");
    }
    clumsy.say(json!({"type": "join", "code": gym.created["code"], "name": "Ana"})).await;
    clumsy.hears("joined").await;
}

/// Something refused for another reason is not a guess, and counts as it does after `hello`.
#[tokio::test(start_paused = true)]
async fn refused_messages_before_hello_are_counted_too() {
    let gym = Gym::new().await;
    let mut noisy = Device::dial(&gym.server, 1 << 16).await;
    for _ in 0..100 {
        noisy.say(json!({"type": "create", "title": "Mine"})).await;
        assert_eq!(noisy.hears("refused").await["refusal"]["why"], "not_yours");
    }
    noisy.say(json!({"type": "samples"})).await;
    noisy.hears("refused").await;
    assert_eq!(noisy.is_closed().await, Close::TooMany.code());
}

/// A gym is one address: whoever knows the code waits at most a moment while somebody beside them guesses.
#[tokio::test(start_paused = true)]
async fn somebody_who_guesses_finds_nothing_and_keeps_nobody_out_who_has_the_code() {
    let gym = Gym::new().await;
    let (mut tried, began) = (0, gym.server.clock.instant());
    // Fifteen connections, each of which may be wrong five times: more than the address may.
    for first in 0..15_u32 {
        let mut guesser = Device::dial(&gym.server, 1 << 16).await;
        for nth in 0..5 {
            let code = thole_protocol::ids::JoinCode::from_random(u64::from(5 * first + nth));
            guesser.say(json!({"type": "join", "code": code, "name": "Mallory"})).await;
            tried += u32::from(guesser.hears("refused").await["refusal"]["why"] == "unknown");
        }
    }
    let took = began.elapsed().as_secs();
    assert!(tried == 75 && (14..=17).contains(&took), "{tried} codes in {took} s");
    let began = gym.server.clock.instant();
    gym.join("Ana").await;
    assert!(began.elapsed() <= Duration::from_secs(2), "{:?}", began.elapsed());
    // Somebody who has a secret waits for nothing at all.
    gym.coach().await.hears("welcome").await;
    // Secrets have a share of their own: whoever guesses them is answered late, and whoever has one never
    // waits.
    let began = gym.server.clock.instant();
    for _ in 0..65 {
        let code = gym.enter("coach", &json!("a guess")).await.is_closed().await;
        assert_eq!(code, Close::WrongSecret.code());
    }
    assert!((4..=6).contains(&began.elapsed().as_secs()), "{:?}", began.elapsed());
    let began = gym.server.clock.instant();
    gym.coach().await.hears("welcome").await;
    assert!(began.elapsed() < Duration::from_secs(1), "{:?}", began.elapsed());
    gym.join("Bo").await;
    assert!(began.elapsed() <= Duration::from_secs(2), "{:?}", began.elapsed());
}
