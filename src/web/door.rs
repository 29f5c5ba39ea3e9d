//! Which names these pages answer to: Host and Origin, checked always.
//!
//! A page on loopback can be reached from any site in the same browser by a
//! name that is made to point there, so the name is checked even where no
//! password is asked for.

use std::net::{IpAddr, SocketAddr};

use crate::web::WebError;

/// The ports that an address leaves out, without and with TLS.
const PORTS: [u16; 2] = [80, 443];

/// Names and origins that are ours.
#[derive(Debug)]
pub(crate) struct Door {
    listen: SocketAddr,
    /// `https` instead of `http`.
    tls: bool,
    /// Scheme and authority of the base address.
    base: Option<(String, String)>,
}

impl Door {
    pub(crate) fn new(
        listen: SocketAddr,
        tls: bool,
        base_url: Option<&str>,
    ) -> Result<Self, WebError> {
        let base = base_url
            .map(|text| {
                parted(text)
                    .ok_or_else(|| WebError::BaseUrl { text: text.to_owned() })
            })
            .transpose()?;
        if let Some((scheme, host)) = &base
            && tls
            && scheme == "http"
        {
            return Err(WebError::BaseScheme { host: host.clone() });
        }
        Ok(Self { listen, tls, base })
    }

    /// Whether the pages are encrypted, so that cookies may insist on it.
    pub(crate) fn is_tls(&self) -> bool {
        self.tls
    }

    /// `http` or `https`.
    pub(crate) fn scheme(&self) -> &'static str {
        if self.tls { "https" } else { "http" }
    }

    /// The name of the base address, without its port.
    pub(crate) fn base_name(&self) -> Option<&str> {
        let (_, host) = self.base.as_ref()?;
        let (name, _) = split_port(host);
        Some(name.trim_start_matches('[').trim_end_matches(']'))
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
        if port.unwrap_or(PORTS[usize::from(self.tls)]) != self.listen.port() {
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
        is_base || (scheme == self.scheme() && self.knows_host(&host))
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
        Door::new(listen.parse().unwrap(), false, base).unwrap()
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
        assert!(Door::new(at, false, None).unwrap().knows_host("localhost"));
        for bad in ["seedbox", "ftp://a", "http://", "http://a/b", "http://a b"]
        {
            assert!(Door::new(at, false, Some(bad)).is_err(), "{bad}");
        }
    }

    #[test]
    fn encrypted_pages_take_encrypted_forms_only() {
        let at = "127.0.0.1:443".parse().unwrap();
        assert!(Door::new(at, true, Some("http://seedbox.local")).is_err());
        let door = Door::new(at, true, Some("https://seedbox.local")).unwrap();
        assert_eq!(door.base_name(), Some("seedbox.local"));
        assert!(
            door.knows_host("localhost") && door.knows_host("seedbox.local")
        );
        assert!(door.knows_origin("https://localhost"));
        assert!(!door.knows_origin("http://localhost"));
        assert!(!door.knows_origin("http://seedbox.local"));
    }
}
