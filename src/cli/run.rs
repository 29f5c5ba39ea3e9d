//! `run`: the daemon in the foreground, until it is told to stop.

use std::io::IsTerminal;

use tokio::signal::unix::{Signal, SignalKind, signal};
use tracing_subscriber::EnvFilter;

use crate::cli::arguments::RunArguments;
use crate::cli::failure::{Answer, Failure};
use crate::cli::opening::House;
use crate::daemon::clock::Clock;
use crate::daemon::lock::LockError;
use crate::daemon::{DaemonError, Drained, service, start};
use crate::store::StoreError;

/// Two threads are enough for a home; the writer has its own.
const WORKERS: usize = 2;

pub(crate) fn run(
    house: &House,
    arguments: &RunArguments,
) -> Result<Answer, Failure> {
    log_to_stderr();
    tokio::runtime::Builder::new_multi_thread()
        .worker_threads(WORKERS)
        .enable_all()
        .build()
        .map_err(|error| Failure::of(&error))?
        .block_on(run_on(house, arguments))
}

/// One line an event; RUST_LOG chooses which.
fn log_to_stderr() {
    let filter = EnvFilter::try_from_default_env()
        .unwrap_or_else(|_| EnvFilter::new("info"));
    tracing_subscriber::fmt()
        .with_env_filter(filter)
        .with_writer(std::io::stderr)
        .with_ansi(std::io::stderr().is_terminal())
        .with_target(false)
        .init();
}

async fn run_on(
    house: &House,
    arguments: &RunArguments,
) -> Result<Answer, Failure> {
    let stopping = |error: std::io::Error| Failure::of(&error);
    let mut interrupt = signal(SignalKind::interrupt()).map_err(stopping)?;
    let mut terminate = signal(SignalKind::terminate()).map_err(stopping)?;
    let settings = &house.settings;
    let mut running = start(settings.plan(), Clock::of_the_host())
        .await
        .map_err(|error| refused(house, &error))?;
    for broken in &running.broken {
        tracing::error!("not started: {broken}");
    }
    if arguments.strict && !running.broken.is_empty() {
        let broken = running.broken.join("; ");
        running.stop().await;
        return Err(Failure::new("a source could not be started")
            .because(broken)
            .hint("without --strict the others run all the same"));
    }
    tracing::info!(data = %settings.data.display(), "running");
    if let Some(address) = running.web {
        let web = settings.connections.web.as_ref();
        let tls = web.is_some_and(|web| web.certificate_file.is_some());
        let scheme = if tls { "https" } else { "http" };
        tracing::info!("pages at {scheme}://{address}/");
    }
    if running.sources().is_empty() {
        tracing::info!(
            "no board is expected: the settings name no inlet, broker or \
             serial port; counts can be recorded all the same"
        );
    }
    service::ready();
    // Goes on while stopping: the writer may have much to drain.
    let watchdog = tokio::spawn(service::feed(running.writer_passes()));
    tokio::select! {
        () = told(&mut interrupt, &mut terminate) => {}
        () = running.writer_ended() => {
            let drained = running.stop().await;
            return Err(Failure::new("the writer ended by itself").because(
                drained.error.unwrap_or_else(|| {
                    "a fault of the program: please report the log".to_owned()
                }),
            ));
        }
    }
    service::stopping();
    tracing::info!("stopping; a second signal stops at once");
    tokio::select! {
        drained = running.stop() => {
            watchdog.abort();
            ended(&drained)
        }
        () = told(&mut interrupt, &mut terminate) => {
            Err(Failure::new("stopped at once, before everything was stored")
                .because("a second signal")
                .hint("what was not acknowledged, the boards send again"))
        }
    }
}

async fn told(interrupt: &mut Signal, terminate: &mut Signal) {
    tokio::select! {
        _ = interrupt.recv() => {}
        _ = terminate.recv() => {}
    }
}

fn ended(drained: &Drained) -> Result<Answer, Failure> {
    tracing::info!(
        messages = drained.delivered,
        "stopped; everything handed over is stored"
    );
    match (&drained.error, drained.left_behind.as_slice()) {
        (None, []) => Ok(Answer::Done),
        (Some(error), _) => {
            Err(Failure::new("the end was not in order").because(error))
        }
        (None, parts) => Err(Failure::new(format!(
            "still running at the deadline: {}",
            parts.join(", ")
        ))),
    }
}

fn refused(house: &House, error: &DaemonError) -> Failure {
    let failure = Failure::of(error);
    match error {
        DaemonError::Lock(LockError::Taken) => {
            failure.hint("stop the other one first; `vernalog status` shows it")
        }
        DaemonError::Damaged { .. }
        | DaemonError::Store(StoreError::OtherSchema { .. }) => {
            match house.newest_backup() {
                Some(backup) => failure.hint(format!(
                    "the newest backup that this program can read: \
                     `vernalog restore {}`",
                    backup.display()
                )),
                None => failure
                    .hint("`vernalog restore FILE` puts a backup in its place"),
            }
        }
        _ => failure,
    }
}
