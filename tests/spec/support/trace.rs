//! What a traced program did to the files of one folder, and what it said
//! over its sockets, in order: read from the output of `strace -f -y -xx`.

use std::collections::HashMap;
use std::path::{Path, PathBuf};

/// One thing that happened. Lines of the trace are the time.
#[derive(Debug)]
pub(crate) struct Event {
    /// The line on which it began.
    pub(crate) begin: usize,
    /// The line on which it was done.
    pub(crate) end: usize,
    pub(crate) what: What,
}

#[derive(Debug)]
pub(crate) enum What {
    /// Bytes at a place of a file; without a place at its end.
    Write { file: PathBuf, at: Option<usize>, bytes: Vec<u8> },
    /// A file got this length.
    Length { file: PathBuf, length: usize },
    /// All that was written to a file (or a folder) is on disk.
    Sync { file: PathBuf },
    /// A name was taken away.
    Unlink { file: PathBuf },
    /// Bytes came in on a socket.
    Heard { socket: String, bytes: Vec<u8> },
    /// Bytes went out on a socket.
    Said { socket: String, bytes: Vec<u8> },
    /// A line of text went to standard output or to a pipe.
    Printed { text: String },
}

/// The system calls that are to be traced.
pub(crate) const CALLS: &str = "write,pwrite64,writev,pwritev,fsync,fdatasync,\
    ftruncate,unlink,unlinkat,rename,renameat,renameat2,sendto,recvfrom,\
    fallocate,copy_file_range,sync_file_range";

/// Reads a trace; of files only those in `folder`.
pub(crate) fn events(trace: &str, folder: &Path) -> Vec<Event> {
    let mut open: HashMap<&str, (usize, String)> = HashMap::new();
    let mut events = Vec::new();
    for (end, line) in trace.lines().enumerate() {
        let Some((thread, rest)) = line.split_once(' ') else { continue };
        let rest = rest.trim_start();
        let (begin, call) = if let Some(first) =
            rest.strip_suffix(" <unfinished ...>")
        {
            open.insert(thread, (end, first.to_owned()));
            continue;
        } else if rest.starts_with("<... ") {
            let Some((_, tail)) = rest.split_once(" resumed>") else {
                continue;
            };
            let Some((begin, first)) = open.remove(thread) else { continue };
            (begin, first + tail)
        } else {
            (end, rest.to_owned())
        };
        if let Some(what) = understood(&call, folder) {
            events.push(Event { begin, end, what });
        }
    }
    // Killed in the middle of a call: it may have had its effect.
    events
}

fn understood(call: &str, folder: &Path) -> Option<What> {
    let (name, rest) = call.split_once('(')?;
    let (arguments, result) = rest.rsplit_once(" = ")?;
    let result = result.split(' ').next()?.split('<').next()?;
    let result: i64 = result.parse().ok().filter(|r| *r >= 0)?;
    let done = usize::try_from(result).ok()?;
    let arguments = arguments.trim_end().strip_suffix(')')?;
    let file = || {
        let path = PathBuf::from(behind(arguments)?);
        path.starts_with(folder).then_some(path)
    };
    match name {
        "unlink" | "unlinkat" => {
            let path = String::from_utf8(text(arguments)?).ok()?;
            let file = PathBuf::from(path);
            file.starts_with(folder).then_some(What::Unlink { file })
        }
        "fsync" | "fdatasync" => Some(What::Sync { file: file()? }),
        "ftruncate" => {
            let length = arguments.rsplit_once(", ")?.1.parse().ok()?;
            Some(What::Length { file: file()?, length })
        }
        "pwrite64" => {
            let at = arguments.rsplit_once(", ")?.1.parse().ok()?;
            let mut bytes = text(arguments)?;
            bytes.truncate(done);
            Some(What::Write { file: file()?, at: Some(at), bytes })
        }
        "write" => {
            let mut bytes = text(arguments)?;
            bytes.truncate(done);
            match file() {
                Some(file) => Some(What::Write { file, at: None, bytes }),
                None => {
                    Some(What::Printed { text: String::from_utf8(bytes).ok()? })
                }
            }
        }
        // Of a vector, the first part: the daemon writes no others.
        "sendto" | "writev" | "recvfrom" => {
            let socket = behind(arguments)?;
            if !socket.starts_with("socket:") {
                assert!(file().is_none(), "{name} on a file of the folder");
                return None;
            }
            let mut bytes = text(arguments)?;
            bytes.truncate(done);
            Some(if name == "recvfrom" {
                What::Heard { socket, bytes }
            } else {
                What::Said { socket, bytes }
            })
        }
        other => {
            // A call that this model does not know must not be missed.
            assert!(file().is_none(), "{other} on a file of the folder");
            None
        }
    }
}

/// What is behind the file number: `12<\x2f…>`.
fn behind(arguments: &str) -> Option<String> {
    let (_, rest) = arguments.split_once('<')?;
    let (path, _) = rest.split_once('>')?;
    String::from_utf8(unescaped(path)?).ok()
}

/// The first text between quotes.
fn text(arguments: &str) -> Option<Vec<u8>> {
    let (_, rest) = arguments.split_once('"')?;
    let (text, _) = rest.split_once('"')?;
    unescaped(text)
}

fn unescaped(text: &str) -> Option<Vec<u8>> {
    text.split("\\x")
        .skip(1)
        .map(|digits| u8::from_str_radix(digits, 16).ok())
        .collect()
}
