//! Where readings come in.

use std::time::Duration;

use tokio::net::TcpStream;
use tokio::time::timeout;

use crate::daemon::clock::Clock;
use crate::daemon::diagnosis::{Finding, Verdict};
use crate::daemon::settings::Settings;
use crate::source::{broker, inlet, serial};

/// Time for a connection on this machine.
const CONNECT: Duration = Duration::from_secs(5);

pub(super) async fn look(settings: &Settings, runs: bool) -> Vec<Finding> {
    let connections = &settings.connections;
    let now = Clock::of_the_host().wall;
    let mut findings = Vec::new();
    if let Some(settings) = &connections.inlet {
        findings.push(inlet(settings, runs).await);
    }
    for settings in &connections.brokers {
        let name = format!("broker {}:{}", settings.host, settings.port);
        let looked = broker::look(settings, &connections.mappings, &now).await;
        findings.push(broker(&name, settings, looked));
    }
    for settings in &connections.serial {
        findings.push(serial(settings, runs));
    }
    if findings.is_empty() {
        findings.push(Finding::doubtful(
            "sources",
            "the settings name no inlet, broker or serial port",
            "add [inlet], [[broker]] or [[serial]] when there is a board; \
             counts can be recorded all the same",
        ));
    }
    findings
}

async fn inlet(settings: &inlet::Settings, runs: bool) -> Finding {
    let name = format!("inlet {}", settings.listen);
    if !runs {
        return match inlet::bind(settings).await {
            Ok(_) => Finding::fine(&name, "the daemon can open it"),
            Err(error) => Finding::wrong(
                &name,
                crate::store::in_a_row(&error),
                "see [inlet] of the settings; `ss -ltnp` shows who listens \
                 there",
            ),
        };
    }
    let mut address = settings.listen;
    if address.ip().is_unspecified() {
        address.set_ip(match address.ip() {
            std::net::IpAddr::V4(_) => [127, 0, 0, 1].into(),
            std::net::IpAddr::V6(_) => std::net::Ipv6Addr::LOCALHOST.into(),
        });
    }
    match timeout(CONNECT, TcpStream::connect(address)).await {
        Ok(Ok(_)) => Finding::fine(&name, "it is open"),
        Ok(Err(error)) => closed(&name, &error.to_string()),
        Err(_) => closed(&name, "no answer"),
    }
}

fn closed(name: &str, why: &str) -> Finding {
    Finding::wrong(
        name,
        format!("the daemon runs, but nobody answers there ({why})"),
        "`vernalog status` says why it was not opened; settings are read at \
         the daemon's start only",
    )
}

fn broker(
    name: &str,
    settings: &broker::Settings,
    looked: Result<broker::BrokerLook, String>,
) -> Finding {
    let look = match looked {
        Ok(look) => look,
        Err(why) => {
            return Finding::wrong(
                name,
                why,
                "see [[broker]] of the settings, and whether the broker runs \
                 and listens for this machine",
            );
        }
    };
    let mut finding = Finding::fine(name, "it takes us");
    let mut add = |verdict: Verdict, seen: String, remedy: &str| {
        finding.verdict = finding.verdict.max(verdict);
        finding.seen = format!("{}; {seen}", finding.seen);
        let between = if finding.remedy.is_empty() { "" } else { "; " };
        finding.remedy = format!("{}{between}{remedy}", finding.remedy);
    };
    if !look.refused.is_empty() {
        add(
            Verdict::Wrong,
            format!("it refuses us {}", look.refused.join(", ")),
            "let the user read these topics in the broker's access list",
        );
    }
    if look.takes_anybody {
        let user = settings.user.as_deref().unwrap_or("ours");
        add(
            Verdict::Doubtful,
            format!("it also takes others without a name (not only {user})"),
            "forbid anonymous access in the broker's configuration, for each \
             listener",
        );
    }
    if !look.retained.is_empty() {
        add(
            Verdict::Doubtful,
            format!(
                "it holds retained messages under {}, which are never taken \
                 as readings",
                look.retained.join(", ")
            ),
            "boards should send readings without the retain flag",
        );
    }
    if let Some(dropped) = look.dropped.filter(|n| *n > 0) {
        add(
            Verdict::Doubtful,
            format!("it dropped {dropped} messages since its start"),
            "raise the number of messages it queues for a client that is away",
        );
    }
    finding
}

fn serial(settings: &serial::Settings, runs: bool) -> Finding {
    let port = &settings.port;
    let name = format!("serial {}", port.display());
    if !port.exists() {
        return Finding::wrong(
            &name,
            "it is not there",
            "is the board plugged in? `ls /dev/serial/by-id` shows the names \
             that stay",
        );
    }
    match serial::look(settings, !runs) {
        Ok(remark) if remark.is_empty() => Finding::fine(&name, "ready"),
        Ok(remark) => Finding::doubtful(
            &name,
            remark,
            "use a name under /dev/serial/by-id or /dev/serial/by-path",
        ),
        Err(why) => Finding::wrong(
            &name,
            why,
            "only one program can have a port, and its user must be in the \
             group \"dialout\"",
        ),
    }
}
