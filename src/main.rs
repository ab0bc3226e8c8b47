//! The command-line tool. Everything it does lives in the library.

use std::process::ExitCode;

fn main() -> ExitCode {
    ExitCode::from(packside::cli::run())
}
