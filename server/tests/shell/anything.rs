//! Whatever comes over a connection, and whatever a journal's files contain: random bytes, and those of the corpus that
//! fuzzing goes on from (`tests/fuzz`).

mod bytes;

use std::{fs, path::Path};

use proptest::prelude::*;

/// Every file of a target's corpus.
fn corpus(target: &str, mut each: impl FnMut(&[u8])) {
    let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/../tests/fuzz/corpus");
    let mut files = 0;
    for file in fs::read_dir(Path::new(folder).join(target)).unwrap() {
        each(&fs::read(file.unwrap().path()).unwrap());
        files += 1;
    }
    assert!(files > 0, "{target} has no corpus");
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(400))]

    #[test]
    fn whatever_frames_come_the_server_goes_on(bytes in prop::collection::vec(any::<u8>(), 0..400)) {
        bytes::frames(&bytes);
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(150))]

    #[test]
    fn whatever_became_of_a_journal_nobody_is_given_what_was_not_rowed(bytes in prop::collection::vec(any::<u8>(), 0..60)) {
        bytes::journal(&bytes);
    }
}

#[test]
fn the_corpus_of_frames_and_journals_does_no_harm() {
    corpus("frames", bytes::frames);
    corpus("journal", bytes::journal);
}
