//! The `tubwatch` program: hands over to the commands.

use std::process::ExitCode;

fn main() -> ExitCode {
    tubwatch::cli::main(std::env::args_os())
}
