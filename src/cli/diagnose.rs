//! `diagnose`: what could keep this installation from doing its job; the
//! exit code is 1 when something does.

use serde_json::json;

use crate::cli::arguments::Common;
use crate::cli::failure::{Answer, Failure};
use crate::cli::opening::House;
use crate::cli::output::{Output, safe};
use crate::daemon::diagnosis::{Finding, Verdict, diagnose as look};

pub(crate) fn diagnose(
    common: &Common,
    output: &mut Output,
) -> Result<Answer, Failure> {
    // Settings that cannot be read are the first thing to mend, and their
    // message says where.
    let house = House::open(common)?;
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .map_err(|error| Failure::of(&error))?;
    let findings = runtime.block_on(look(&house.settings, house.now));
    for finding in &findings {
        tell(finding, output)?;
    }
    let wrong = findings.iter().any(|f| f.verdict == Verdict::Wrong);
    Ok(if wrong { Answer::No } else { Answer::Done })
}

fn tell(finding: &Finding, output: &mut Output) -> Result<(), Failure> {
    let Finding { subject, verdict, seen, remedy } = finding;
    if output.json {
        return output.object(&json!({
            "subject": subject,
            "verdict": verdict.word(),
            "seen": seen,
            "remedy": remedy,
        }));
    }
    output.line(&format!(
        "{:<9} {}: {}",
        verdict.word(),
        safe(subject),
        safe(seen)
    ))?;
    if remedy.is_empty() {
        return Ok(());
    }
    output.line(&format!("          {remedy}"))
}
