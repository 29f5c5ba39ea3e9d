//! What the service manager is told: ready, alive, stopping.
//!
//! Without one, nothing is told to nobody. Never alive by the clock alone:
//! only while the writer makes its passes.

use std::time::Duration;

use sd_notify::NotifyState;

/// Everything has started.
pub fn ready() {
    tell(NotifyState::Ready);
}

/// The end has begun.
pub fn stopping() {
    tell(NotifyState::Stopping);
}

/// Tells that the daemon is alive, as often as the service manager wants to
/// hear it, each time only if `passes` has gone on since the last time.
/// Ends at once when it does not want to.
pub async fn feed(passes: impl Fn() -> u64) {
    let Some(patience) = sd_notify::watchdog_enabled() else { return };
    // Two chances within its patience.
    let every = (patience / 3).max(Duration::from_millis(1));
    let mut told = None;
    loop {
        let now = passes();
        if told != Some(now) {
            told = Some(now);
            tell(NotifyState::Watchdog);
        }
        tokio::time::sleep(every).await;
    }
}

fn tell(what: NotifyState<'_>) {
    if let Err(error) = sd_notify::notify(&[what]) {
        tracing::warn!(%error, "the service manager could not be told");
    }
}
