//! Whether the name of a serial port stays with one board.
//!
//! Looks at the links that the system keeps below `/dev/serial` and at the
//! devices behind them; opens nothing.

use std::fs;
use std::path::{Path, PathBuf};

/// Where the system keeps its ports.
#[derive(Debug, Clone)]
pub(crate) struct Ports {
    /// `/dev`.
    pub(crate) dev: PathBuf,
    /// `/sys/class/tty`.
    pub(crate) tty: PathBuf,
}

/// What a name is worth.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum Standing {
    /// It stays with its board or its socket, as far as can be told.
    Stays,
    /// It goes by the order of plugging in; these names would stay.
    Numbered(Vec<PathBuf>),
    /// Several boards that are plugged in claim it; these names tell them
    /// apart.
    Ambiguous(Vec<PathBuf>),
}

/// A USB device as its name below `by-id` is made of it.
#[derive(Debug, PartialEq, Eq)]
struct Identity {
    vendor: String,
    product: String,
    /// Empty with bridge chips that have none.
    serial: String,
    interface: String,
}

/// One port with a name below `by-path`, which is that of its socket.
struct Socket {
    name: PathBuf,
    /// The folder of the USB device.
    device: PathBuf,
    identity: Identity,
}

impl Ports {
    /// Those of this machine.
    pub(crate) fn of_the_host() -> Self {
        Self { dev: "/dev".into(), tty: "/sys/class/tty".into() }
    }

    /// What the name of a port is worth just now.
    pub(crate) fn standing(&self, port: &Path) -> Standing {
        let by_id = self.dev.join("serial/by-id");
        if port.parent() == Some(&by_id) {
            let rivals = self.rivals(port);
            return if rivals.is_empty() {
                Standing::Stays
            } else {
                Standing::Ambiguous(rivals)
            };
        }
        let numbered = port.parent() == Some(&self.dev)
            && port.file_name().is_some_and(|name| {
                let name = name.to_string_lossy();
                name.starts_with("ttyUSB") || name.starts_with("ttyACM")
            });
        if !numbered {
            return Standing::Stays;
        }
        let mut better: Vec<PathBuf> = ["serial/by-id", "serial/by-path"]
            .iter()
            .flat_map(|folder| links(&self.dev.join(folder)))
            .filter(|link| same_port(link, port))
            .collect();
        better.retain(|link| {
            link.parent() != Some(&by_id) || self.rivals(link).is_empty()
        });
        Standing::Numbered(better)
    }

    /// The sockets of all boards that claim a name below `by-id`, when there
    /// are several.
    fn rivals(&self, by_id: &Path) -> Vec<PathBuf> {
        let Some((device, identity)) = self.device(by_id) else {
            return Vec::new();
        };
        let claimants: Vec<Socket> = self
            .sockets()
            .into_iter()
            .filter(|socket| socket.identity == identity)
            .collect();
        if claimants.iter().all(|socket| socket.device == device) {
            return Vec::new();
        }
        claimants.into_iter().map(|socket| socket.name).collect()
    }

    fn sockets(&self) -> Vec<Socket> {
        let mut sockets: Vec<Socket> = Vec::new();
        for name in links(&self.dev.join("serial/by-path")) {
            let Some((device, identity)) = self.device(&name) else { continue };
            // One socket may have names of two kinds.
            let known = |socket: &Socket| {
                socket.device == device && socket.identity == identity
            };
            if !sockets.iter().any(known) {
                sockets.push(Socket { name, device, identity });
            }
        }
        sockets
    }

    /// The USB device behind a port, with what its name is made of; none
    /// for other ports, and when it is not plugged in.
    fn device(&self, port: &Path) -> Option<(PathBuf, Identity)> {
        let port = fs::canonicalize(port).ok()?;
        let link = self.tty.join(port.file_name()?).join("device");
        let place = fs::canonicalize(link).ok()?;
        let above = |file: &str| {
            place.ancestors().find(|folder| folder.join(file).exists())
        };
        let device = above("idVendor")?;
        let interface = above("bInterfaceNumber")
            .map(|folder| word(folder, "bInterfaceNumber"));
        let identity = Identity {
            vendor: word(device, "idVendor"),
            product: word(device, "idProduct"),
            serial: word(device, "serial"),
            interface: interface.unwrap_or_default(),
        };
        Some((device.to_owned(), identity))
    }
}

fn word(folder: &Path, file: &str) -> String {
    let text = fs::read_to_string(folder.join(file)).unwrap_or_default();
    text.trim().to_owned()
}

/// What a folder holds, by name.
fn links(folder: &Path) -> Vec<PathBuf> {
    let Ok(entries) = fs::read_dir(folder) else { return Vec::new() };
    let mut links: Vec<PathBuf> =
        entries.filter_map(|entry| Some(entry.ok()?.path())).collect();
    links.sort();
    links
}

fn same_port(one: &Path, other: &Path) -> bool {
    matches!(
        (fs::canonicalize(one), fs::canonicalize(other)),
        (Ok(one), Ok(other)) if one == other
    )
}

#[cfg(test)]
pub(crate) mod tests {
    use std::os::unix::fs::symlink;

    use super::*;

    /// A machine made of files. The layout of /dev/serial and of sysfs is
    /// that of udev's 60-serial.rules and of the kernel's USB core, from
    /// memory.
    pub(crate) struct Machine {
        pub(crate) folder: tempfile::TempDir,
    }

    impl Machine {
        pub(crate) fn new() -> Self {
            Self { folder: tempfile::tempdir().unwrap() }
        }

        pub(crate) fn ports(&self) -> Ports {
            let path = self.folder.path();
            Ports { dev: path.join("dev"), tty: path.join("sys/class/tty") }
        }

        /// Plugs a bridge chip into a socket.
        pub(crate) fn plug(&self, tty: &str, socket: u32, serial: &str) {
            let Ports { dev, tty: class } = self.ports();
            let device = self.folder.path().join(format!("sys/usb/1-{socket}"));
            let interface = device.join(format!("1-{socket}:1.0"));
            fs::create_dir_all(interface.join(tty)).unwrap();
            for (file, text) in
                [("idVendor", "1a86\n"), ("idProduct", "7523\n")]
            {
                fs::write(device.join(file), text).unwrap();
            }
            if !serial.is_empty() {
                fs::write(device.join("serial"), serial).unwrap();
            }
            fs::write(interface.join("bInterfaceNumber"), "00\n").unwrap();
            fs::create_dir_all(class.join(tty)).unwrap();
            symlink(interface.join(tty), class.join(tty).join("device"))
                .unwrap();
            let port = dev.join(tty);
            for folder in ["serial/by-id", "serial/by-path"] {
                fs::create_dir_all(dev.join(folder)).unwrap();
            }
            fs::write(&port, "").unwrap();
            let by_id = self.by_id(serial);
            drop(fs::remove_file(&by_id));
            symlink(&port, by_id).unwrap();
            symlink(&port, self.by_path(socket)).unwrap();
        }

        pub(crate) fn by_id(&self, serial: &str) -> PathBuf {
            let name = format!("usb-1a86_bridge{serial}-if00-port0");
            self.ports().dev.join("serial/by-id").join(name)
        }

        pub(crate) fn by_path(&self, socket: u32) -> PathBuf {
            let name = format!("pci-0000:00:14.0-usb-0:{socket}:1.0-port0");
            self.ports().dev.join("serial/by-path").join(name)
        }
    }

    #[test]
    fn a_name_that_two_boards_claim_is_ambiguous_until_one_is_gone() {
        let machine = Machine::new();
        machine.plug("ttyUSB0", 1, "");
        let (ports, name) = (machine.ports(), machine.by_id(""));
        assert_eq!(ports.standing(&name), Standing::Stays);
        machine.plug("ttyUSB1", 2, "");
        let both = vec![machine.by_path(1), machine.by_path(2)];
        assert_eq!(ports.standing(&name), Standing::Ambiguous(both));
        // The name of a socket is that of one board.
        let of_socket = machine.by_path(1);
        assert_eq!(ports.standing(&of_socket), Standing::Stays);
        fs::remove_file(machine.by_path(2)).unwrap();
        fs::remove_file(&name).unwrap();
        symlink(ports.dev.join("ttyUSB0"), &name).unwrap();
        assert_eq!(ports.standing(&name), Standing::Stays);
    }

    #[test]
    fn boards_with_serial_numbers_have_names_of_their_own() {
        let machine = Machine::new();
        machine.plug("ttyUSB0", 1, "_0017");
        machine.plug("ttyUSB1", 2, "_0018");
        let name = machine.by_id("_0017");
        assert_eq!(machine.ports().standing(&name), Standing::Stays);
    }

    #[test]
    fn a_number_is_taken_with_better_names_beside_it() {
        let machine = Machine::new();
        machine.plug("ttyUSB0", 1, "_0017");
        let ports = machine.ports();
        let number = ports.dev.join("ttyUSB0");
        let better = vec![machine.by_id("_0017"), machine.by_path(1)];
        assert_eq!(ports.standing(&number), Standing::Numbered(better));
        machine.plug("ttyUSB1", 2, "");
        machine.plug("ttyUSB2", 3, "");
        // An ambiguous name is no better one.
        let number = ports.dev.join("ttyUSB1");
        let better = vec![machine.by_path(2)];
        assert_eq!(ports.standing(&number), Standing::Numbered(better));
        let absent = ports.dev.join("ttyUSB9");
        assert_eq!(ports.standing(&absent), Standing::Numbered(vec![]));
    }

    #[test]
    fn a_port_that_is_no_usb_device_keeps_its_name() {
        let machine = Machine::new();
        for name in ["ttyAMA0", "serial0", "pts/3"] {
            let port = machine.ports().dev.join(name);
            assert_eq!(machine.ports().standing(&port), Standing::Stays);
        }
    }
}
