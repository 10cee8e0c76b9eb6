#!/usr/bin/python3
"""A Bluetooth daemon without a radio: what Chromium and btleplug need of org.bluez, on a bus of our own.

Started with a JSON list of devices: [{"key": "row7", "name": "Row 7", "kind": "rower"}, ...]; kinds are
rower, bike (a fitness machine without Rower Data) and strap. Orders come as JSON lines on standard input:

    {"notify": "row7", "hex": "2c08..."}      one notification of its data
    {"drop": "row7"}                          the link is lost
    {"refuse_connect": "row7", "times": 2}    the next two connects fail
    {"refuse_subscribe": "row7", "times": 1}  the next subscribe fails

Every order is answered on standard output ({"done": …} or {"failed": …}), and every call of a client is
told there ({"call": …}), a JSON line each. It ends with its input.
Needs Debian's python3-dbus and python3-gi, and DBUS_SYSTEM_BUS_ADDRESS of the bus to be on.
"""

import json
import os
import sys

import dbus
import dbus.service
from dbus.mainloop.glib import DBusGMainLoop
from gi.repository import GLib

PROPERTIES = "org.freedesktop.DBus.Properties"
MANAGER = "org.freedesktop.DBus.ObjectManager"
ADAPTER = "org.bluez.Adapter1"
DEVICE = "org.bluez.Device1"
SERVICE = "org.bluez.GattService1"
CHARACTERISTIC = "org.bluez.GattCharacteristic1"
DESCRIPTOR = "org.bluez.GattDescriptor1"
ADAPTER_PATH = "/org/bluez/hci0"
CONNECT_MS = 40
BEACON_MS = 100

# Services of a kind: number, characteristics as (number, flags, value). The first notifying one is its data.
KINDS = {
    "rower": [
        (0x1826, [(0x2AD1, ["notify"], b""), (0x2ACC, ["read"], bytes.fromhex("2650000000000000"))]),
    ],
    "bike": [
        (0x1826, [(0x2AD2, ["notify"], b""), (0x2ACC, ["read"], bytes.fromhex("0240000000000000"))]),
    ],
    "strap": [(0x180D, [(0x2A37, ["notify"], b"")])],
}


def long_uuid(number):
    return dbus.String(f"0000{number:04x}-0000-1000-8000-00805f9b34fb")


def octets(value):
    return dbus.Array([dbus.Byte(octet) for octet in value], signature="y")


def flag(value):
    return dbus.Boolean(value)


def tell(**what):
    print(json.dumps(what), flush=True)


class Refused(dbus.DBusException):
    def __init__(self, name, says):
        super().__init__(says, name=f"org.bluez.Error.{name}")


class Tree(dbus.service.Object):
    """Tells which objects there are and which come and go."""

    def __init__(self, bus):
        super().__init__(bus, "/")
        self.objects = {}

    @dbus.service.method(MANAGER, out_signature="a{oa{sa{sv}}}")
    def GetManagedObjects(self):
        seen = {dbus.ObjectPath(path): one.described() for path, one in self.objects.items() if one.seen}
        return dbus.Dictionary(seen, signature="oa{sa{sv}}")

    @dbus.service.signal(MANAGER, signature="oa{sa{sv}}")
    def InterfacesAdded(self, path, interfaces):
        pass

    @dbus.service.signal(MANAGER, signature="oas")
    def InterfacesRemoved(self, path, interfaces):
        pass


class Thing(dbus.service.Object):
    """An object with the properties of one interface."""

    def __init__(self, tree, path, interface, properties, seen=True):
        super().__init__(tree.connection, path)
        self.tree, self.path, self.interface, self.properties, self.seen = tree, path, interface, properties, seen
        tree.objects[path] = self

    def described(self):
        return dbus.Dictionary({self.interface: dbus.Dictionary(self.properties, signature="sv")}, signature="sa{sv}")

    def change(self, **properties):
        self.properties.update(properties)
        if self.seen:
            changed = dbus.Dictionary(properties, signature="sv")
            self.PropertiesChanged(self.interface, changed, dbus.Array([], signature="s"))

    def appear(self):
        if not self.seen:
            self.seen = True
            self.tree.InterfacesAdded(dbus.ObjectPath(self.path), self.described())

    def vanish(self):
        if self.seen:
            self.seen = False
            self.tree.InterfacesRemoved(dbus.ObjectPath(self.path), dbus.Array([self.interface], signature="s"))

    @dbus.service.method(PROPERTIES, in_signature="ss", out_signature="v")
    def Get(self, _interface, name):
        return self.properties[name]

    @dbus.service.method(PROPERTIES, in_signature="s", out_signature="a{sv}")
    def GetAll(self, interface):
        return dbus.Dictionary(self.properties if interface == self.interface else {}, signature="sv")

    @dbus.service.method(PROPERTIES, in_signature="ssv")
    def Set(self, _interface, name, value):
        self.change(**{str(name): value})

    @dbus.service.signal(PROPERTIES, signature="sa{sv}as")
    def PropertiesChanged(self, interface, changed, gone):
        pass


class Agents(dbus.service.Object):
    """Accepts whoever wants to answer pairing questions; none are asked."""

    @dbus.service.method("org.bluez.AgentManager1", in_signature="os")
    def RegisterAgent(self, _path, _capability):
        pass

    @dbus.service.method("org.bluez.AgentManager1", in_signature="o")
    def UnregisterAgent(self, _path):
        pass

    @dbus.service.method("org.bluez.AgentManager1", in_signature="o")
    def RequestDefaultAgent(self, _path):
        pass

    @dbus.service.method("org.bluez.ProfileManager1", in_signature="osa{sv}")
    def RegisterProfile(self, _path, _uuid, _options):
        pass


class Adapter(Thing):
    def __init__(self, tree):
        address = "00:00:5E:00:53:01"  # of the block for documentation, RFC 7042 section 2.1.2
        properties = {
            "Address": dbus.String(address),
            "AddressType": dbus.String("public"),
            "Name": dbus.String("no radio"),
            "Alias": dbus.String("no radio"),
            "Class": dbus.UInt32(0),
            "Powered": flag(True),
            "Discoverable": flag(False),
            "DiscoverableTimeout": dbus.UInt32(0),
            "Pairable": flag(True),
            "PairableTimeout": dbus.UInt32(0),
            "Discovering": flag(False),
            "UUIDs": dbus.Array([], signature="s"),
            "Modalias": dbus.String("usb:v1D6Bp0246d0542"),
            "Roles": dbus.Array(["central"], signature="s"),
        }
        super().__init__(tree, ADAPTER_PATH, ADAPTER, properties)
        self.devices, self.searches = [], 0

    @dbus.service.method(ADAPTER, in_signature="a{sv}")
    def SetDiscoveryFilter(self, _wish):
        tell(call="SetDiscoveryFilter")

    @dbus.service.method(ADAPTER, out_signature="as")
    def GetDiscoveryFilters(self):
        return dbus.Array(["UUIDs", "RSSI", "Transport", "DuplicateData"], signature="s")

    @dbus.service.method(ADAPTER)
    def StartDiscovery(self):
        tell(call="StartDiscovery")
        self.searches += 1
        if self.searches == 1:
            self.change(Discovering=flag(True))
            GLib.timeout_add(BEACON_MS, self.beacon)

    @dbus.service.method(ADAPTER)
    def StopDiscovery(self):
        tell(call="StopDiscovery")
        self.searches = max(0, self.searches - 1)
        if self.searches == 0:
            self.change(Discovering=flag(False))

    @dbus.service.method(ADAPTER, in_signature="o")
    def RemoveDevice(self, _path):
        tell(call="RemoveDevice")

    def beacon(self):
        for device in self.devices:
            device.appear()
            # A strength that changes, so that each beacon is news.
            device.change(RSSI=dbus.Int16(-50 if device.properties["RSSI"] < -50 else -51))
        return self.searches > 0


class Device(Thing):
    def __init__(self, tree, nth, key, name, kind):
        address = f"00:00:5E:00:53:{0x10 + nth:02X}"
        path = f"{ADAPTER_PATH}/dev_{address.replace(':', '_')}"
        properties = {
            "Address": dbus.String(address),
            "AddressType": dbus.String("public"),
            "Name": dbus.String(name),
            "Alias": dbus.String(name),
            "Adapter": dbus.ObjectPath(ADAPTER_PATH),
            "UUIDs": dbus.Array([long_uuid(number) for number, _ in KINDS[kind]], signature="s"),
            "RSSI": dbus.Int16(-50),
        }
        for no in ("Paired", "Bonded", "Trusted", "Blocked", "LegacyPairing", "Connected", "ServicesResolved"):
            properties[no] = flag(False)
        super().__init__(tree, path, DEVICE, properties, seen=False)
        self.key, self.parts, self.data = key, [], None
        self.refuses_connect = self.refuses_subscribe = 0
        for place, (number, characteristics) in enumerate(KINDS[kind]):
            self.add_service(tree, f"{path}/service{0x10 + 0x40 * place:04x}", number, characteristics)

    def add_service(self, tree, path, number, characteristics):
        properties = {
            "UUID": long_uuid(number),
            "Primary": flag(True),
            "Device": dbus.ObjectPath(self.path),
            "Includes": dbus.Array([], signature="o"),
        }
        self.parts.append(Thing(tree, path, SERVICE, properties, seen=False))
        for place, (uuid, flags, value) in enumerate(characteristics):
            part = Characteristic(self, f"{path}/char{0x11 + 4 * place:04x}", path, uuid, flags, value)
            self.parts.append(part)
            if "notify" in flags:
                self.parts.append(Descriptor(part))
                self.data = self.data or part

    @dbus.service.method(DEVICE, async_callbacks=("done", "failed"))
    def Connect(self, done, failed):
        tell(call="Connect", device=self.key)
        if self.refuses_connect > 0:
            self.refuses_connect -= 1
            failed(Refused("Failed", "le-connection-abort-by-local"))
            return

        def up():
            self.change(Connected=flag(True))
            done()
            for part in self.parts:
                part.appear()
            self.change(ServicesResolved=flag(True))
            return False

        GLib.timeout_add(CONNECT_MS, up)

    @dbus.service.method(DEVICE)
    def Disconnect(self):
        tell(call="Disconnect", device=self.key)
        self.drop()

    @dbus.service.method(DEVICE)
    def Pair(self):
        tell(call="Pair", device=self.key)

    @dbus.service.method(DEVICE)
    def CancelPairing(self):
        pass

    def drop(self):
        if self.data is not None:
            self.data.properties["Notifying"] = flag(False)
        self.change(ServicesResolved=flag(False))
        for part in reversed(self.parts):
            part.vanish()
        self.change(Connected=flag(False))


class Characteristic(Thing):
    def __init__(self, device, path, service, uuid, flags, value):
        properties = {
            "UUID": long_uuid(uuid),
            "Service": dbus.ObjectPath(service),
            "Value": octets(value),
            "Flags": dbus.Array(flags, signature="s"),
        }
        if "notify" in flags:
            properties["Notifying"] = flag(False)
        super().__init__(device.tree, path, CHARACTERISTIC, properties, seen=False)
        self.device = device

    @dbus.service.method(CHARACTERISTIC, in_signature="a{sv}", out_signature="ay")
    def ReadValue(self, _options):
        return self.properties["Value"]

    @dbus.service.method(CHARACTERISTIC)
    def StartNotify(self):
        tell(call="StartNotify", device=self.device.key)
        if self.device.refuses_subscribe > 0:
            self.device.refuses_subscribe -= 1
            raise Refused("NotPermitted", "Notify not permitted")
        self.change(Notifying=flag(True))

    @dbus.service.method(CHARACTERISTIC)
    def StopNotify(self):
        tell(call="StopNotify", device=self.device.key)
        self.change(Notifying=flag(False))


class Descriptor(Thing):
    """Client Characteristic Configuration; without it nobody subscribes."""

    def __init__(self, part):
        properties = {
            "UUID": long_uuid(0x2902),
            "Characteristic": dbus.ObjectPath(part.path),
            "Value": octets([0, 0]),
            "Flags": dbus.Array(["read", "write"], signature="s"),
        }
        super().__init__(part.tree, f"{part.path}/desc0013", DESCRIPTOR, properties, seen=False)

    @dbus.service.method(DESCRIPTOR, in_signature="a{sv}", out_signature="ay")
    def ReadValue(self, _options):
        return self.properties["Value"]

    @dbus.service.method(DESCRIPTOR, in_signature="aya{sv}")
    def WriteValue(self, value, _options):
        self.change(Value=octets(value))


def obey(devices, order):
    if "notify" in order:
        # A device that is not linked, or not listened to, says nothing to anybody.
        device = devices[order["notify"]]
        if device.data.properties["Notifying"]:
            device.data.change(Value=octets(bytes.fromhex(order["hex"])))
    elif "drop" in order:
        devices[order["drop"]].drop()
    elif "refuse_connect" in order:
        devices[order["refuse_connect"]].refuses_connect = order["times"]
    elif "refuse_subscribe" in order:
        devices[order["refuse_subscribe"]].refuses_subscribe = order["times"]
    else:
        raise ValueError(f"no such order: {order}")
    tell(done=order)


def main():
    DBusGMainLoop(set_as_default=True)
    bus = dbus.SystemBus()
    tree = Tree(bus)
    Agents(bus, "/org/bluez")
    wanted = json.loads(sys.argv[1])
    adapter = Adapter(tree) if wanted else None
    devices = {one["key"]: Device(tree, nth, **one) for nth, one in enumerate(wanted)}
    if adapter is not None:
        adapter.devices = list(devices.values())
    name = dbus.service.BusName("org.bluez", bus)
    loop = GLib.MainLoop()
    unread = bytearray()

    def hear(_source, _condition):
        # Not by lines of a buffered reader: it would keep further lines from the main loop.
        chunk = os.read(0, 65_536)
        unread.extend(chunk)
        while (end := unread.find(b"\n")) >= 0:
            line = bytes(unread[:end])
            del unread[: end + 1]
            try:
                obey(devices, json.loads(line))
            except (KeyError, ValueError) as error:
                tell(failed=f"{line.decode()}: {error!r}")
        if not chunk:
            loop.quit()
        return bool(chunk)

    GLib.io_add_watch(0, GLib.IO_IN | GLib.IO_HUP, hear)
    tell(ready=name.get_name())
    loop.run()


main()
