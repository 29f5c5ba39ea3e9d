//! `token`: what lets a program of the household read and record over the
//! pages' JSON.
//!
//! A token is printed once; only its hash goes into a file.

use serde_json::json;

use crate::cli::arguments::TokenArguments;
use crate::cli::failure::{Answer, Failure};
use crate::cli::opening::House;
use crate::cli::output::Output;
use crate::cli::password::replace;
use crate::web::{May, kept_tokens, with_token, without_token};

pub(crate) fn token(
    house: &House,
    arguments: &TokenArguments,
    output: &mut Output,
) -> Result<Answer, Failure> {
    let file = house.settings.web_token_file();
    let kept = kept_tokens(&file).map_err(|error| Failure::of(&error))?;
    let Some(name) = &arguments.name else {
        for token in &kept {
            let may = token.may.word();
            if output.json {
                output.object(&json!({"name": token.name, "may": may}))?;
            } else {
                output.line(&format!("{}  may {may}", token.name))?;
            }
        }
        return Ok(Answer::Done);
    };
    if arguments.revoke {
        let text = without_token(&kept, name).ok_or_else(|| {
            Failure::new(format!("there is no token called \"{name}\""))
                .hint("`vernalog token` lists them")
        })?;
        replace(&file, &text)?;
        output.line(&format!("the token {name} is dead from now on"))?;
        return Ok(Answer::Done);
    }
    let may = if arguments.read_only { May::Read } else { May::Record };
    let (secret, text) = with_token(&kept, name, may);
    replace(&file, &text)?;
    if output.json {
        output.object(&json!({
            "format": "vernalog-token/1",
            "name": name,
            "may": may.word(),
            "token": secret,
        }))?;
        return Ok(Answer::Done);
    }
    output.talk(&format!(
        "the token of {name}, which may {}; it is shown once and kept nowhere:",
        may.word()
    ));
    output.line(&secret)?;
    Ok(Answer::Done)
}
