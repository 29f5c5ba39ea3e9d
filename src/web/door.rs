//! Which names these pages answer to: Host and Origin, checked always.
//!
//! A page on loopback can be reached from any site in the same browser by a
//! name that is made to point there, so the name is checked even where no
//! password is asked for.

use std::net::{IpAddr, SocketAddr};

use crate::web::WebError;

/// The port that an `http` address leaves out.
const HTTP_PORT: u16 = 80;

/// Names and origins that are ours.
#[derive(Debug)]
pub(crate) struct Door {
    listen: SocketAddr,
    /// Scheme and authority of the base address.
    base: Option<(String, String)>,
}

impl Door {
    pub(crate) fn new(
        listen: SocketAddr,
        base_url: Option<&str>,
    ) -> Result<Self, WebError> {
        let base = base_url
            .map(|text| {
                parted(text)
                    .ok_or_else(|| WebError::BaseUrl { text: text.to_owned() })
            })
            .transpose()?;
        Ok(Self { listen, base })
    }

    /// The base address without a path, if the settings have one.
    pub(crate) fn base_url(&self) -> Option<String> {
        let (scheme, host) = self.base.as_ref()?;
        Some(format!("{scheme}://{host}"))
    }

    /// Whether a request to this host is meant for us.
    pub(crate) fn knows_host(&self, host: &str) -> bool {
        let host = host.to_ascii_lowercase();
        if self.base.as_ref().is_some_and(|(_, base)| *base == host) {
            return true;
        }
        let (name, port) = split_port(&host);
        if port.unwrap_or(HTTP_PORT) != self.listen.port() {
            return false;
        }
        if name == "localhost" {
            return true;
        }
        let bare = name.trim_start_matches('[').trim_end_matches(']');
        bare.parse().is_ok_and(|address: IpAddr| self.listens_at(address))
    }

    /// A number cannot be made to point elsewhere as a name can, so where
    /// every address of the machine is listened at, every number will do.
    fn listens_at(&self, address: IpAddr) -> bool {
        address.is_loopback()
            || address == self.listen.ip()
            || self.listen.ip().is_unspecified()
    }

    /// Whether a form sent from this origin was one of ours.
    pub(crate) fn knows_origin(&self, origin: &str) -> bool {
        let Some((scheme, host)) = origin.split_once("://") else {
            return false;
        };
        let host = host.to_ascii_lowercase();
        let is_base = self
            .base
            .as_ref()
            .is_some_and(|(s, base)| s == scheme && *base == host);
        is_base || (scheme == "http" && self.knows_host(&host))
    }
}

/// Scheme and authority of an address without a path.
fn parted(url: &str) -> Option<(String, String)> {
    let (scheme, rest) = url.split_once("://")?;
    let host = rest.strip_suffix('/').unwrap_or(rest);
    let letter = |c: char| c.is_ascii_alphanumeric() || "-.:[]".contains(c);
    let sound = ["http", "https"].contains(&scheme)
        && !host.is_empty()
        && host.chars().all(letter);
    sound.then(|| (scheme.to_owned(), host.to_ascii_lowercase()))
}

fn split_port(host: &str) -> (&str, Option<u16>) {
    match host.rsplit_once(':') {
        // An IPv6 number has colons of its own, inside brackets.
        Some((name, port)) if !port.contains(']') => {
            port.parse().map_or((host, None), |port| (name, Some(port)))
        }
        _ => (host, None),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn door(listen: &str) -> Door {
        let base = Some("http://seedbox.local:8420");
        Door::new(listen.parse().unwrap(), base).unwrap()
    }

    #[test]
    fn only_our_own_names_are_answered() {
        let door = door("127.0.0.1:8420");
        for ours in [
            "localhost:8420",
            "127.0.0.1:8420",
            "[::1]:8420",
            "SeedBox.local:8420",
        ] {
            assert!(door.knows_host(ours), "{ours}");
            assert!(door.knows_origin(&format!("http://{ours}")), "{ours}");
        }
        for other in [
            "",
            "localhost",
            "localhost:80",
            "evil.example:8420",
            "192.168.1.7:8420",
            "127.0.0.1.evil.example:8420",
            "seedbox.local",
        ] {
            assert!(!door.knows_host(other), "{other}");
        }
        for other in ["null", "https://localhost:8420", "http://evil.example"] {
            assert!(!door.knows_origin(other), "{other}");
        }
    }

    #[test]
    fn a_machine_that_listens_everywhere_is_known_by_its_numbers() {
        let door = door("0.0.0.0:8420");
        assert!(door.knows_host("192.168.1.7:8420"));
        assert!(!door.knows_host("evil.example:8420"));
    }

    #[test]
    fn a_base_address_is_scheme_and_host() {
        let at = "127.0.0.1:80".parse().unwrap();
        assert!(Door::new(at, None).unwrap().knows_host("localhost"));
        for bad in ["seedbox", "ftp://a", "http://", "http://a/b", "http://a b"]
        {
            assert!(Door::new(at, Some(bad)).is_err(), "{bad}");
        }
    }
}
