//! The part of `status` about ways out for alerts: which work, and what
//! waits for them.
//!
//! Nothing is tried out here; the daemon does that.

use serde_json::{Value, json};

use crate::cli::failure::Failure;
use crate::cli::opening::House;
use crate::cli::output::safe;
use crate::daemon::HEARTBEAT;
use crate::health::{ChannelState, ChannelWord, DaemonHealth};
use crate::store::{Store, Undelivered};

/// A channel of the settings, or one that messages still wait for.
struct Line<'a> {
    name: &'a str,
    in_settings: bool,
    said: Option<&'a ChannelWord>,
    waiting: u64,
    given_up: u64,
}

/// One line for each channel.
pub(crate) fn in_words(
    house: &House,
    store: &Store,
    health: Option<&DaemonHealth>,
) -> Result<Vec<String>, Failure> {
    let undelivered = store.undelivered_by_channel()?;
    let connections = &house.settings.connections;
    let mut lines: Vec<String> = lines(house, &undelivered, health)
        .iter()
        .map(|line| format!("channel   {}: {}", line.name, how(house, line)))
        .collect();
    for problem in &connections.broken_channels {
        lines.push(format!(
            "channel   wrong in the settings: {}",
            problem.message
        ));
    }
    if lines.is_empty() {
        lines.push(
            "channel   none: alerts are shown, and leave the house by no way"
                .to_owned(),
        );
    }
    Ok(lines)
}

/// The same for programs.
pub(crate) fn as_json(
    house: &House,
    store: &Store,
    health: Option<&DaemonHealth>,
) -> Result<Value, Failure> {
    let undelivered = store.undelivered_by_channel()?;
    let mut all: Vec<Value> = lines(house, &undelivered, health)
        .iter()
        .map(|line| {
            json!({
                "channel": line.name,
                "in_settings": line.in_settings,
                "works": line.said.map(|s| s.state == ChannelState::Works),
                "detail": line.said.map_or("", |said| said.detail.as_str()),
                "failures": line.said.map_or(0, |said| said.failures),
                "last_taken": line.said.and_then(|said| said.last_taken),
                "waiting": line.waiting,
                "given_up": line.given_up,
            })
        })
        .collect();
    all.extend(house.settings.connections.broken_channels.iter().map(
        |problem| {
            json!({
                "channel": null,
                "in_settings": true,
                "works": false,
                "detail": problem.message,
            })
        },
    ));
    Ok(Value::Array(all))
}

fn lines<'a>(
    house: &'a House,
    undelivered: &'a [Undelivered],
    health: Option<&'a DaemonHealth>,
) -> Vec<Line<'a>> {
    let channels = &house.settings.connections.channels;
    let mut names: Vec<(&str, bool)> =
        channels.iter().map(|channel| (channel.name.as_str(), true)).collect();
    for one in undelivered {
        if !names.iter().any(|(name, _)| *name == one.channel) {
            names.push((&one.channel, false));
        }
    }
    if house.settings.connections.heartbeat.is_some() {
        names.push((HEARTBEAT, true));
    }
    names
        .into_iter()
        .map(|(name, in_settings)| {
            let left = undelivered.iter().find(|one| one.channel == name);
            Line {
                name,
                in_settings,
                said: health.and_then(|health| {
                    health.channels.iter().find(|said| said.name == name)
                }),
                waiting: left.map_or(0, |one| one.waiting),
                given_up: left.map_or(0, |one| one.given_up),
            }
        })
        .collect()
}

fn how(house: &House, line: &Line<'_>) -> String {
    let mut parts = Vec::new();
    if !line.in_settings {
        parts.push("not in the settings any more".to_owned());
    }
    match line.said {
        None if line.in_settings => parts.push("not tried yet".to_owned()),
        None => {}
        Some(said) => parts.push(match (said.state, said.last_taken) {
            (ChannelState::Works, None) => "works".to_owned(),
            (ChannelState::Works, Some(at)) => {
                format!("works, took a message {}", house.ago(at))
            }
            (ChannelState::Fails, _) => {
                format!("does not work: {}", safe(&said.detail))
            }
        }),
    }
    if line.waiting > 0 {
        parts.push(format!("{} wait", line.waiting));
    }
    if line.given_up > 0 {
        parts.push(format!("{} were given up", line.given_up));
    }
    parts.join("; ")
}
