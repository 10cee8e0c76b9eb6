//! Who leads: which of the coach's devices may give orders.

use thole_protocol::ids::DeviceId;

use crate::members::ConnId;

/// The command over a session, according to the journal and to the connections.
#[derive(Clone, Debug, Default)]
pub(crate) struct Leadership {
    /// The connection that leads; `None` until a device of the coach is here.
    conn: Option<ConnId>,
    /// The device that led when its connection was lost; it gets the command back if nobody has taken it, or led, since.
    led_last: Option<DeviceId>,
    /// The device named by the newest record of command.
    noted: Option<DeviceId>,
}

impl Leadership {
    /// Nobody is here; the device that led last, according to the journal, gets the command back.
    pub(crate) fn awaiting(leader: Option<DeviceId>) -> Leadership {
        Leadership { conn: None, led_last: leader, noted: leader }
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

    /// The device that leads, if the journal does not name it yet.
    pub(crate) fn newly_led_by(&mut self, device: Option<DeviceId>) -> Option<DeviceId> {
        let new = device.filter(|device| self.noted != Some(*device));
        self.noted = new.or(self.noted);
        new
    }
}
