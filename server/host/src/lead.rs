//! Who leads: which of the coach's devices may give orders.

use thole_piece::Input;
use thole_protocol::{
    ServerMsg,
    ids::{CoachId, DeviceId},
    order::GivenBy,
};

use crate::{
    batch::Batch,
    host::Host,
    members::ConnId,
    moment::Now,
    outbound::{Outbound, say},
    planted::Fault,
};

/// The command over a session, according to the journal and to the connections.
#[derive(Clone, Debug, Default)]
pub(crate) struct Leadership {
    /// The connection that leads; `None` until a device of the coach is here.
    conn: Option<ConnId>,
    /// The device that led when its connection was lost; it gets the command back if nobody has taken it, or led, since.
    led_last: Option<DeviceId>,
    /// The device named by the newest record of command, and the coach of the club whom that names.
    noted: Option<(DeviceId, Option<CoachId>)>,
}

impl Leadership {
    /// Nobody is here; the device that led last, according to the journal, gets the command back.
    pub(crate) fn awaiting(leader: Option<DeviceId>) -> Leadership {
        Leadership { conn: None, led_last: leader, noted: leader.map(|device| (device, None)) }
    }

    /// Whether this connection leads.
    pub(crate) fn is_of(&self, conn: ConnId) -> bool {
        self.conn == Some(conn)
    }

    /// A device of the coach comes in; `commander` is the device that leads now. True when the command changes hands.
    pub(crate) fn comes(
        &mut self,
        conn: ConnId,
        device: Option<DeviceId>,
        commander: Option<DeviceId>,
    ) -> bool {
        let is_back = device.is_some() && (device == self.led_last || device == commander);
        if is_back {
            (self.conn, self.led_last) = (Some(conn), None);
        }
        self.conn.get_or_insert(conn);
        is_back
    }

    /// A device of the coach has gone; `next` has been here longest of those that are left. True when it led.
    pub(crate) fn goes(
        &mut self,
        conn: ConnId,
        device: Option<DeviceId>,
        next: Option<ConnId>,
    ) -> bool {
        let led = self.is_of(conn);
        if led {
            self.led_last = self.led_last.or(device);
            self.conn = next;
        }
        led
    }

    /// A device takes command explicitly.
    pub(crate) fn take(&mut self, conn: ConnId) {
        (self.conn, self.led_last) = (Some(conn), None);
    }

    /// Whether a connection may give an order. With its first order, a device that stood in has the command for
    /// good.
    pub(crate) fn leads(&mut self, conn: ConnId) -> bool {
        let leads = self.is_of(conn);
        if leads {
            self.led_last = None;
        }
        leads
    }

    /// The device that leads, if the journal does not name it yet, or not with the coach whose it is.
    pub(crate) fn newly_led_by(
        &mut self,
        device: Option<DeviceId>,
        by: Option<&GivenBy>,
    ) -> Option<DeviceId> {
        let new = device.map(|device| (device, by.map(|by| by.coach)));
        let new = new.filter(|new| self.noted != Some(*new));
        self.noted = new.or(self.noted);
        new.map(|(device, _)| device)
    }
}

impl Host {
    /// Whether a connection may give an order. It leads from then on, even after a crash.
    pub(crate) fn leads(&mut self, now: Now, conn: ConnId, batch: &mut Batch) -> bool {
        let leads = self.members.lead.leads(conn) || self.has(Fault::TwoLeaders);
        if leads {
            self.note_leader(now, conn, batch);
        }
        leads
    }

    pub(crate) fn note_leader(&mut self, now: Now, conn: ConnId, batch: &mut Batch) {
        let (device, by) = (self.members.device(conn), self.members.by(conn).cloned());
        if let Some(device) = self.members.lead.newly_led_by(device, by.as_ref()) {
            self.input(now, Input::TookCommand { device, by }, batch);
        }
    }

    pub(crate) fn tell_command(&self, out: &mut dyn Outbound) {
        for conn in self.members.coaches() {
            say(out, conn, &ServerMsg::InCommand { yes: self.members.lead.is_of(conn) });
        }
    }
}
