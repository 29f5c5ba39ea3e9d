//! The program's door: everything behind it is the library's.

use std::process::ExitCode;

fn main() -> ExitCode {
    vernalog::cli::run()
}
