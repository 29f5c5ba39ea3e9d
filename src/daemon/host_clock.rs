//! Whether the clock of this machine is kept right by others.
//!
//! The service manager is asked, as it knows the kernel's own word; machines
//! without it give no answer.

use std::process::Stdio;
use std::time::Duration;

use tokio::process::Command;
use tokio::time::timeout;

/// The question is a matter of milliseconds.
const ANSWER: Duration = Duration::from_secs(5);

/// True when it is, false when it is not (yet), none when nobody knows.
pub async fn is_synchronised() -> Option<bool> {
    let asked = Command::new("timedatectl")
        .args(["show", "--property=NTPSynchronized", "--value"])
        // What it tells a service manager would be taken for our word.
        .env_remove("NOTIFY_SOCKET")
        .stdin(Stdio::null())
        .stderr(Stdio::null())
        .kill_on_drop(true)
        .output();
    let answer = timeout(ANSWER, asked).await.ok()?.ok()?;
    understood(&answer.stdout)
}

fn understood(answer: &[u8]) -> Option<bool> {
    match answer.trim_ascii() {
        b"yes" => Some(true),
        b"no" => Some(false),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_a_plain_yes_or_no_is_an_answer() {
        assert_eq!(understood(b"yes\n"), Some(true));
        assert_eq!(understood(b"no\n"), Some(false));
        assert_eq!(understood(b""), None);
        assert_eq!(understood(b"Failed to connect to bus"), None);
    }
}
