//! What once broke something, or nearly did, is read again by every run; `cargo gate --long` goes on from there.

use std::{fs, path::Path};

use thole_tests::any;

/// A way in, by the name of its folder in the corpus.
type Way = (&'static str, fn(&[u8]));

const WAYS: [Way; 5] = [
    ("message", any::message),
    ("typed", any::typed),
    ("recorded", any::recorded),
    ("bluetooth", any::bluetooth),
    ("session", |bytes| assert!(any::session(bytes) < 1_000)),
];

#[test]
fn nothing_of_the_corpus_breaks_anything() {
    for (name, way) in WAYS {
        let folder = Path::new(crate::ROOT).join("tests/fuzz/corpus").join(name);
        let mut files = 0;
        for file in
            fs::read_dir(&folder).unwrap_or_else(|why| panic!("{}: {why}", folder.display()))
        {
            let file = file.unwrap().path();
            eprintln!("{}", file.display());
            way(&fs::read(file).unwrap());
            files += 1;
        }
        assert!(files > 0, "{name} has no corpus");
    }
}

/// Half of each example of the protocol, and each with one letter changed, at every place.
#[test]
fn a_message_that_is_cut_or_changed_is_read_as_well_as_it_can_be() {
    let mut read = 0;
    for side in ["client", "server"] {
        let folder = Path::new(crate::ROOT).join("protocol/examples").join(side);
        for file in fs::read_dir(folder).unwrap() {
            let whole = fs::read(file.unwrap().path()).unwrap();
            any::message(&whole);
            for at in (0..whole.len()).step_by(whole.len() / 64 + 1) {
                any::message(&whole[..at]);
                for other in [b'"', b'-', b'9', b'}', b',', b'e'] {
                    let mut changed = whole.clone();
                    changed[at] = other;
                    any::message(&changed);
                    read += 1;
                }
            }
        }
    }
    assert!(read > 5_000, "only {read} messages were changed");
}
