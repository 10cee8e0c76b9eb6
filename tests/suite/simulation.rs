//! Random lives of a session, each lived in peace and under every fault: `SEED=7 cargo sim` for one,
//! `LIVES=5000 cargo sim` for many.

use std::panic::{AssertUnwindSafe, catch_unwind};

use thole_host::Fault;
use thole_tests::sim::{Tally, live, live_with, trace};

/// Lives in the gate: each takes about 0.1 s.
const LIVES: u64 = 100;

#[test]
fn simulation_of_random_lives_ends_in_the_results_of_life_in_peace() {
    let one = std::env::var("SEED").ok().map(|seed| seed.parse::<u64>().expect("SEED is a number"));
    let lives =
        std::env::var("LIVES").ok().map_or(LIVES, |n| n.parse().expect("LIVES is a number"));
    let mut tally = Tally::default();
    for seed in one.map_or(1..lives + 1, |seed| seed..seed + 1) {
        // A panic anywhere inside says what broke; this says which life it was.
        let life = std::panic::catch_unwind(|| {
            let mut tally = Tally::default();
            live(seed, &mut tally);
            tally
        });
        match life {
            Ok(life) => tally.join(&life),
            Err(panic) => {
                eprintln!("to see this life again: SEED={seed} cargo sim");
                std::panic::resume_unwind(panic);
            }
        }
    }
    for (what, times) in tally.counts() {
        println!("{times:>7}  {what}");
        assert!(times > 0 || one.is_some(), "in {lives} lives this never happened: {what}");
    }
}

/// What the lives are for: a fault of the server that none of them notices could be there already.
#[test]
fn each_fault_that_is_planted_in_the_server_is_found_by_some_life() {
    for fault in Fault::ALL {
        let says = what_is_said_of(fault);
        println!("{fault:?} is found: {says}");
    }
}

/// What the first life that finds a fault says.
fn what_is_said_of(fault: Fault) -> String {
    let says = |seed: u64| {
        let life = AssertUnwindSafe(|| live_with(seed, Some(fault), &mut Tally::default()));
        let panic = catch_unwind(life).err()?;
        let says = panic.downcast_ref::<String>().cloned();
        says.or_else(|| panic.downcast_ref::<&str>().map(|says| (*says).to_owned()))
    };
    let found = (1..=LIVES).find_map(says);
    found.unwrap_or_else(|| panic!("{LIVES} lives do not find this: {fault:?}"))
}

/// The wall clock is wrong after a boot, devices have the right time, and nobody asks them.
#[test]
fn a_clock_that_leaps_with_its_computer_is_found_by_the_results_that_it_bends() {
    let says = what_is_said_of(Fault::ClockUnchecked);
    assert!(says.contains("faults have changed a result"), "{says}");
}

#[test]
fn a_flipped_record_that_is_taken_for_whole_is_found_by_what_was_written() {
    let says = what_is_said_of(Fault::FlippedTaken);
    assert!(says.contains("is not the one that was written"), "{says}");
}

#[test]
fn damage_that_nobody_is_told_of_is_found_when_the_session_is_opened() {
    let says = what_is_said_of(Fault::DamageUntold);
    assert!(says.contains("nobody is told that record"), "{says}");
}

/// Otherwise a seed that was printed would show another life.
#[test]
fn the_same_seed_is_the_same_life_to_the_last_record() {
    for seed in [3, 7, 1_700] {
        let (first, again) = (trace(seed), trace(seed));
        let differs = first.iter().zip(&again).position(|(first, again)| first != again);
        assert_eq!(differs.map(|at| (&first[at], &again[at])), None, "seed {seed}");
        assert_eq!(first.len(), again.len(), "seed {seed}");
        assert!(first.len() > 100, "seed {seed}: a life of {} records is none", first.len());
    }
    assert_ne!(trace(3), trace(7));
}
