//! What a session's server decides between socket and core: who comes in, who leads, what is written, and whom to tell
//! what.
//!
//! ```text
//! said by a connection ── Host::take ──► Batch: records, grants, revocations
//!                          the shell appends it to the journal, and waits until it is durable
//! durable              ── Host::committed ──► whom to tell what, by the number of a connection
//! ```
//!
//! It has no clock, no randomness, no socket and no disk: the instant, random bytes and what was found on the disk come in
//! with what is said, and what is told goes to connection numbers (`Outbound`). So one program drives it with real sockets,
//! and another with lost messages, crashes and broken disks, and both run the same rules.

mod admitting;
mod batch;
mod damage;
mod delivery;
mod host;
mod ids;
mod lead;
pub mod limits;
mod members;
mod moment;
mod ordered;
mod outbound;
mod planted;
mod readings;
mod reckoned;
mod record;
mod refusals;
mod requests;
mod results_table;
pub mod roles;
mod said;
mod seats;
mod secret;
pub mod stored;

pub use batch::Batch;
pub use host::Host;
pub use members::ConnId;
pub use moment::{Moment, Now};
pub use outbound::{Delivery, Entrance, Outbound, Remark, text};
pub use planted::Fault;
pub use readings::{CLOCK_WAIT, Checked, Readings};
pub use reckoned::{Reckoned, Trust, Uptime};
pub use record::{Damage, Found, Grant, Holder, Record};
pub use said::{Greeting, KeysOf, NoMore, Owner, Reopening, Said, Setup};
pub use secret::{RandomBits, SECRET_BYTES, Secret, SecretHash};
