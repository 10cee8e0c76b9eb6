//! Lives that nobody would think of: whatever happens to a session in whatever order, it goes on, is the same when it
//! is replayed, and shows nothing that cannot be.

use proptest::{collection::vec, prelude::*, test_runner::TestRunner};
use thole_tests::any;

#[test]
fn a_session_lives_through_anything() {
    // Each life has up to about two hundred events; all of them together take some seconds.
    let config = ProptestConfig { cases: 384, failure_persistence: None, ..Default::default() };
    let finishes = std::cell::Cell::new(0);
    let lived = TestRunner::new(config).run(&vec(proptest::num::u8::ANY, 0..2_000), |bytes| {
        finishes.set(finishes.get() + any::session(&bytes));
        Ok(())
    });
    if let Err(why) = lived {
        panic!("{why}");
    }
    // Usually about sixty.
    assert!(finishes.get() > 20, "{} finishes are too few: nobody rows", finishes.get());
}
