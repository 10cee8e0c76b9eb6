//! A server on one core lets what comes gather for a moment. Being woken for each of thousands of strokes costs more
//! than hearing them: once woken, it is not woken again before some milliseconds have passed, and then finds
//! everything that has come in between. The first after a quiet moment is heard at once.

use std::{
    sync::{Arc, Mutex, MutexGuard, PoisonError},
    thread::sleep,
    time::Duration,
};

use tokio::{runtime::Builder, time::Instant};

use crate::clock::Clock;

/// From one waking to the next. Nobody notices it in a call or in a place; half of it would save less.
const GATHERING: Duration = Duration::from_millis(8);

/// Makes a runtime of one thread gather.
pub fn gather(runtime: &mut Builder, clock: Clock) {
    let woken: Arc<Mutex<Option<Instant>>> = Arc::default();
    let waking = woken.clone();
    runtime
        .on_thread_park(move || {
            let left = locked(&woken).map(|woken| left(woken, clock.instant()));
            sleep(left.unwrap_or_default());
        })
        .on_thread_unpark(move || *locked(&waking) = Some(clock.instant()));
}

fn locked(woken: &Mutex<Option<Instant>>) -> MutexGuard<'_, Option<Instant>> {
    woken.lock().unwrap_or_else(PoisonError::into_inner)
}

/// How much longer a thread that was woken then, and has nothing more to do now, is left alone.
fn left(woken: Instant, now: Instant) -> Duration {
    (woken + GATHERING).saturating_duration_since(now)
}

#[cfg(test)]
mod tests {
    use std::thread;

    use tokio::sync::mpsc;

    use super::*;

    #[test]
    fn who_has_worked_or_waited_for_so_long_is_woken_at_once() {
        let woken = Clock::new(1).instant();
        let ms = |ms| woken + Duration::from_millis(ms);
        assert_eq!(left(woken, ms(0)), GATHERING);
        assert_eq!(left(woken, ms(2)), Duration::from_millis(6));
        assert_eq!(left(woken, ms(8)), Duration::ZERO);
        assert_eq!(left(woken, ms(900)), Duration::ZERO);
    }

    /// However busy the machine is: two wakings are never closer than the gap, and everything said is heard.
    #[test]
    fn a_runtime_that_gathers_wakes_less_often_than_it_is_spoken_to() {
        const SAID: usize = 20;
        let mut builder = Builder::new_current_thread();
        gather(builder.enable_all(), Clock::new(1));
        let runtime = builder.build().unwrap();
        let (say, mut said) = mpsc::channel(1);
        let (hear, heard) = std::sync::mpsc::channel();
        // Speaks again as soon as it has been heard.
        let speaker = thread::spawn(move || {
            for number in 0..SAID {
                say.blocking_send(number).unwrap();
                assert_eq!(heard.recv(), Ok(number));
            }
        });
        let began = Clock::new(1).instant();
        runtime.block_on(async {
            while let Some(number) = said.recv().await {
                hear.send(number).unwrap();
            }
        });
        let gaps = began.elapsed().as_millis() / GATHERING.as_millis();
        speaker.join().unwrap();
        // It has slept and woken; apart from the gaps: the first, and the one that was on its way when the time
        // was read.
        let wakings = u128::from(runtime.metrics().worker_park_unpark_count(0) / 2);
        assert!((1..=gaps + 2).contains(&wakings), "{wakings} wakings in {gaps} gaps");
    }
}
