//! `verify`: whether the data file is sound; the exit code is 1 when it is
//! not.

use serde_json::{Value, json};

use crate::cli::arguments::VerifyArguments;
use crate::cli::failure::{Answer, Failure};
use crate::cli::opening::House;
use crate::cli::output::{Output, safe};
use crate::store::{Access, Finding, Store, StoreError};

pub(crate) fn verify(
    house: &House,
    arguments: &VerifyArguments,
    output: &mut Output,
) -> Result<Answer, Failure> {
    let data = arguments.file.as_ref().unwrap_or(&house.settings.data);
    let findings = match Store::open(data, Access::ReadOnly) {
        // A backup has no journal beside it.
        Ok(store) => store.verify(arguments.file.is_none()),
        Err(error @ StoreError::Missing { .. }) => return Err(error.into()),
        Err(error) => vec![Finding::failed("file", &error)],
    };
    let sound = findings.iter().all(|finding| finding.sound);
    if output.json {
        let looks: Vec<Value> = findings.iter().map(as_json).collect();
        output.object(&json!({
            "format": "vernalog-verify/1",
            "data": data,
            "sound": sound,
            "looks": looks,
        }))?;
    } else {
        for finding in &findings {
            let mark = if finding.sound { "sound" } else { "WRONG" };
            let (what, words) = (finding.what, safe(&finding.words));
            output.line(&format!("{what:9} {mark}  {words}"))?;
            for detail in &finding.details {
                output.line(&format!("{:9}        {}", "", safe(detail)))?;
            }
        }
    }
    if !sound {
        tell_way_out(house, output);
    }
    Ok(if sound { Answer::Done } else { Answer::No })
}

fn as_json(finding: &Finding) -> Value {
    json!({
        "what": finding.what,
        "sound": finding.sound,
        "words": finding.words,
        "details": finding.details,
    })
}

fn tell_way_out(house: &House, output: &Output) {
    if let Some(backup) = house.newest_backup() {
        output.talk(&format!(
            "the newest backup is {}; `vernalog restore` puts it back",
            backup.display()
        ));
    }
}
