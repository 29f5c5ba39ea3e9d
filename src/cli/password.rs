//! `password`: what lets a board in at the inlet, or people to the pages.
//!
//! The password itself is kept nowhere; only its hash goes into a file.

use std::fs::{self, OpenOptions};
use std::io::{self, Write};
use std::path::Path;

use argon2::password_hash::rand_core::{OsRng, RngCore};
use serde_json::json;

use crate::cli::arguments::PasswordArguments;
use crate::cli::failure::{Answer, Failure};
use crate::cli::opening::House;
use crate::cli::output::Output;
use crate::source::inlet::{users_line, with_password};
use crate::web;

/// Letters that cannot be taken for one another; 32, so that a byte has no
/// favourites.
const LETTERS: &[u8; 32] = b"abcdefghijkmnpqrstuvwxyz23456789";
/// 20 letters of 32 are 100 bits.
const LENGTH: usize = 20;

/// Makes the line of a board. Without --save no settings are needed.
pub(crate) fn password(
    house: impl FnOnce() -> Result<House, Failure>,
    arguments: &PasswordArguments,
    output: &mut Output,
) -> Result<Answer, Failure> {
    let Some(board) = &arguments.board else {
        return of_the_pages(&house()?, arguments, output);
    };
    let secret = if arguments.stdin { typed()? } else { invented() };
    let wrong = |error| Failure::of(&error);
    let saved = if arguments.save {
        let house = house()?;
        let inlet = house.settings.connections.inlet;
        let file = inlet.and_then(|i| i.users_file).ok_or_else(|| {
            Failure::new("the settings name no users_file for the inlet")
                .hint("add it under [inlet]: users_file = \"boards.passwd\"")
        })?;
        let text = read_if_there(&file)?;
        let text = with_password(&text, board, &secret).map_err(wrong)?;
        replace(&file, &text)?;
        Some(file)
    } else {
        None
    };
    let line = match saved {
        Some(_) => None,
        None => Some(users_line(board, &secret).map_err(wrong)?),
    };
    let told = (!arguments.stdin).then_some(&secret);
    if output.json {
        output.object(&json!({
            "format": "vernalog-password/1",
            "board": board,
            "password": told,
            "users_line": line,
            "saved": saved,
        }))?;
        return Ok(Answer::Done);
    }
    if let Some(secret) = told {
        output.talk(&format!(
            "the password of {board} is {secret}; it is not kept anywhere"
        ));
    }
    match (&line, &saved) {
        (Some(line), _) => output.line(line)?,
        (None, Some(file)) => {
            output.line(&format!("{board} is let in by {}", file.display()))?;
        }
        (None, None) => {}
    }
    Ok(Answer::Done)
}

/// Writes the password file of the pages, beside the settings.
fn of_the_pages(
    house: &House,
    arguments: &PasswordArguments,
    output: &mut Output,
) -> Result<Answer, Failure> {
    let secret = if arguments.stdin { typed()? } else { invented() };
    let text = web::password_text(&secret).map_err(|e| Failure::of(&e))?;
    let file = house.settings.web_password_file();
    replace(&file, &text)?;
    let told = (!arguments.stdin).then_some(&secret);
    if output.json {
        output.object(&json!({
            "format": "vernalog-password/1",
            "password": told,
            "saved": file,
        }))?;
        return Ok(Answer::Done);
    }
    if let Some(secret) = told {
        output.talk(&format!(
            "the password of the pages is {secret}; it is not kept anywhere"
        ));
    }
    output.line(&format!(
        "the pages ask for it from the daemon's next start ({})",
        file.display()
    ))?;
    Ok(Answer::Done)
}

fn typed() -> Result<String, Failure> {
    let mut line = String::new();
    io::stdin().read_line(&mut line).map_err(|error| {
        Failure::new("cannot read the password").because(error.to_string())
    })?;
    Ok(line.trim_end_matches(['\r', '\n']).to_owned())
}

fn invented() -> String {
    let mut bytes = [0_u8; LENGTH];
    OsRng.fill_bytes(&mut bytes);
    bytes
        .iter()
        .map(|byte| char::from(LETTERS[usize::from(*byte) % LETTERS.len()]))
        .collect()
}

fn read_if_there(file: &Path) -> Result<String, Failure> {
    match fs::read_to_string(file) {
        Ok(text) => Ok(text),
        Err(error) if error.kind() == io::ErrorKind::NotFound => {
            Ok(String::new())
        }
        Err(error) => {
            Err(Failure::new(format!("cannot read \"{}\"", file.display()))
                .because(error.to_string()))
        }
    }
}

/// Puts a new file in the place of the old one, so that the inlet never
/// reads half of it. Only its owner and group may read it.
pub(crate) fn replace(file: &Path, text: &str) -> Result<(), Failure> {
    let mut fresh = file.as_os_str().to_owned();
    fresh.push(".new");
    let mut options = OpenOptions::new();
    options.write(true).create(true).truncate(true);
    #[cfg(unix)]
    {
        use std::os::unix::fs::OpenOptionsExt;
        options.mode(0o640);
    }
    options
        .open(&fresh)
        .and_then(|mut opened| {
            opened.write_all(text.as_bytes())?;
            opened.sync_all()
        })
        .and_then(|()| fs::rename(&fresh, file))
        .map_err(|error| {
            Failure::new(format!("cannot write \"{}\"", file.display()))
                .because(error.to_string())
        })
}
