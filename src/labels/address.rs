//! Whether an address is one that a printed label can carry for months.
//!
//! A judgement of the text alone: nothing is looked up, and of addresses
//! only their form is used.

use core::net::IpAddr;

/// What is the matter with a base address, if anything.
///
/// `None` when a name of the house is given. Else a sentence for the grower
/// that says what would go wrong and what to do.
#[must_use]
pub fn warning(base_url: Option<&str>) -> Option<String> {
    let Some(base_url) = base_url else {
        return Some(
            "There is no base_url in the settings, so the labels have no \
             code; the letters can still be typed. Set base_url under [web], \
             such as http://seedbox.local:8420, and print again."
                .to_owned(),
        );
    };
    let host = host(base_url);
    if host == "localhost"
        || host.parse().is_ok_and(|ip: IpAddr| ip.is_loopback())
    {
        return Some(format!(
            "The address {base_url} means the device that reads it: a phone \
             would look for the pages on itself. Set base_url to the name of \
             this computer, such as http://seedbox.local:8420, before you \
             print."
        ));
    }
    host.parse::<IpAddr>().is_ok().then(|| {
        format!(
            "The address {base_url} is a bare number. A router may give that \
             number to another device one day, and then every printed code \
             leads astray. Set base_url to a name, such as \
             http://seedbox.local:8420, or make sure that the router keeps \
             the number, before you print."
        )
    })
}

/// The host of an address, without its port.
fn host(url: &str) -> String {
    let rest = url.split_once("://").map_or(url, |(_, rest)| rest);
    let authority = rest.split(['/', '?', '#']).next().unwrap_or(rest);
    let host = match authority.strip_prefix('[') {
        Some(number) => number.split(']').next().unwrap_or(number),
        None => authority.rsplit_once(':').map_or(authority, |(h, _)| h),
    };
    host.to_ascii_lowercase()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_the_phone_itself_and_nothing_are_warned_of() {
        let told = |url| warning(Some(url)).unwrap_or_default();
        assert!(told("http://192.168.1.20:8420").contains("bare number"));
        assert!(told("http://[fd00::1]:8420").contains("bare number"));
        assert!(told("http://127.0.0.1:8420").contains("on itself"));
        assert!(told("http://LOCALHOST").contains("on itself"));
        assert!(warning(None).unwrap().contains("no code"));
        for named in ["http://seedbox.local:8420", "https://seeds.example/"] {
            assert_eq!(warning(Some(named)), None);
        }
    }
}
