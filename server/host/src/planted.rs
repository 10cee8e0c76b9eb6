//! Faults that a test plants on purpose, one at a time, to see that the random lives find each of them.

/// A fault of a host.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Fault {
    /// Strokes are acknowledged before they are durable.
    AcknowledgedEarly,
    /// Somebody is welcomed before what they said is durable.
    WelcomedEarly,
    /// A `join` that is repeated is taken for a new one.
    RepeatUnknown,
    /// The board is shown what the coach is shown.
    WrongRole,
    /// Every one of the coach's devices may give orders.
    TwoLeaders,
    /// A new link leaves the old one valid.
    OldSecretOpens,
    /// A call is in the journal, and nobody hears it.
    CallLost,
    /// Whoever comes back is told of another journal.
    OtherEpoch,
    /// The session's clock jumps when it is opened again.
    ClockLeaps,
    /// After another boot the wall clock is taken as it is.
    ClockUnchecked,
    /// A commit that is not as it was written is accepted as if it were.
    FlippedTaken,
    /// What was found damaged is not told to anybody.
    DamageUntold,
    /// Two people get seats under one name.
    NameTwice,
    /// Everybody counts as two.
    CountedTwice,
    /// Records are applied in a different order from the one they are written in.
    OrderSwapped,
}

impl Fault {
    /// All of them.
    pub const ALL: [Fault; 15] = [
        Fault::AcknowledgedEarly,
        Fault::WelcomedEarly,
        Fault::RepeatUnknown,
        Fault::WrongRole,
        Fault::TwoLeaders,
        Fault::OldSecretOpens,
        Fault::CallLost,
        Fault::OtherEpoch,
        Fault::ClockLeaps,
        Fault::ClockUnchecked,
        Fault::FlippedTaken,
        Fault::DamageUntold,
        Fault::NameTwice,
        Fault::CountedTwice,
        Fault::OrderSwapped,
    ];
}

#[cfg(feature = "planted")]
impl crate::Host {
    /// Plants a fault.
    pub fn plant(&mut self, fault: Fault) {
        self.planted = Some(fault);
    }

    pub(crate) fn has(&self, fault: Fault) -> bool {
        self.planted == Some(fault)
    }
}

#[cfg(feature = "planted")]
impl crate::stored::proof::Proof<'_> {
    /// Plants a fault.
    pub fn plant(&mut self, fault: Fault) {
        self.planted = Some(fault);
    }

    pub(crate) fn has(&self, fault: Fault) -> bool {
        self.planted == Some(fault)
    }
}

#[cfg(not(feature = "planted"))]
#[expect(clippy::unused_self, reason = "without the feature there is nothing to look at")]
impl crate::stored::proof::Proof<'_> {
    pub(crate) fn has(&self, _: Fault) -> bool {
        false
    }
}

#[cfg(not(feature = "planted"))]
#[expect(clippy::unused_self, reason = "without the feature there is nothing to look at")]
impl crate::Host {
    pub(crate) fn has(&self, _: Fault) -> bool {
        false
    }
}
