//! The settings file that a new house begins with: every key explained.
//!
//! Only text; whether a file may be written is asked in `cli`.

use chrono_tz::Tz;

/// The text of a new settings file.
#[must_use]
pub fn new_settings(zone: Tz, data: &str) -> String {
    let data = toml::Value::from(data);
    format!(
        r##"# Settings of vernalog. Everything behind a # is a remark; take the #
# away from a line to use it. Paths are meant from the folder of this file.

# The time zone of the house: dates and hours are meant in it.
time_zone = "{zone}"

# The file that keeps readings, counts and alerts.
data = {data}

# The hour meant by a date alone.
#evening = "20:00"

# How long readings may wait before they are on disk. Longer spares a memory
# card; boards wait as long for their acknowledgement.
#commit_every = "1s"

# Boards connect here (MQTT). Without users_file only from this machine.
# With certificate and key it is TLS, mostly on port 8883; the README tells
# how to make them.
#[inlet]
#listen = "0.0.0.0:1883"
#users_file = "boards.passwd"
#certificate_file = "seedbox.crt"
#key_file = "seedbox.key"

# Or: subscribe at a broker that is there already.
#[[broker]]
#host = "127.0.0.1"
#port = 1883
#user = "vernalog"
#password_file = "broker.secret"
#topics = ["vernalog/+/readings"]
#ca_file = "ca.crt"

# A board on a cable.
#[[serial]]
#port = "/dev/serial/by-id/usb-board-port0"
#baud = 115200

# A board with a payload of its own; + gives its name.
#[[mapping]]
#topic = "garden/+/state"
#fields = {{ temperature = {{ pointer = "/t", unit = "Cel" }}, light = {{ pointer = "/l", unit = "lx", scale = 10 }} }}

# Pages for the phone. Beyond this machine only with a password:
# `vernalog password --web`.
#[web]
#listen = "0.0.0.0:8420"
#base_url = "https://seedbox.local:8420"
#certificate_file = "seedbox.crt"
#key_file = "seedbox.key"

# How an alert leaves the house. Passwords lie in files of their own that
# nobody else may read (chmod 600).
#[[channel]]
#kind = "mail"
#host = "mail.example.org"
#user = "rowan"
#password_file = "mail.secret"
#from = "seedbox@example.org"
#to = ["rowan@example.org"]

# A request to an address, signed when there is a secret_file. This one is
# only told what the mail server did not take in five tries.
#[[channel]]
#kind = "webhook"
#url = "https://example.org/alerts"
#secret_file = "webhook.secret"
#stands_in_for = "mail"

# A broker; the state of each watch is kept there.
#[[channel]]
#kind = "mqtt"
#host = "127.0.0.1"

# A program that gets it as JSON.
#[[channel]]
#kind = "command"
#command = ["/usr/local/bin/tell-me"]

# How alerts are told. In quiet hours, by the clock on the wall, only what is
# urgent leaves; the rest comes in one message at their end. What stays urgent
# is repeated until somebody answers. The daily message has a line a place.
#[telling]
#quiet_from = "22:30"
#quiet_until = "07:00"
#repeat_urgent = "4h"
#daily_at = "08:00"
#try_again = "1min"

# A sign of life for somebody elsewhere, while readings are stored; whoever
# misses it knows that something is wrong here.
#[heartbeat]
#url = "https://example.org/alive"
#every = "5min"

# A checked copy of the data file each night, best on another medium.
#[backup]
#folder = "/media/stick/vernalog"
#at = "03:30"
#keep = 7
"##
    )
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use super::*;
    use crate::daemon::settings::Settings;

    #[test]
    fn the_new_file_is_sound_with_and_without_its_remarks() {
        let text = new_settings(chrono_tz::Europe::Dublin, "vernalog.db");
        let path = Path::new("vernalog.toml");
        let settings = Settings::parse(path, &text).unwrap();
        assert_eq!(settings.zone.zone, chrono_tz::Europe::Dublin);
        // A line that is a setting begins with # and no blank.
        let all: String = text
            .lines()
            .map(|line| match line.strip_prefix('#') {
                Some(rest) if !rest.starts_with(' ') => rest,
                _ => line,
            })
            .map(|line| format!("{line}\n"))
            .collect();
        let settings = Settings::parse(path, &all).unwrap();
        assert_eq!(settings.connections.brokers.len(), 1);
        assert!(settings.connections.inlet.is_some());
        assert!(settings.backup.is_some());
        assert_eq!(settings.connections.channels.len(), 4);
        assert_eq!(settings.connections.broken_channels, []);
    }
}
