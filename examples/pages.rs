//! Man pages and shell completions, made from the commands themselves:
//! `cargo run --example pages -- FOLDER` writes them into `man1/`, `bash/`, `zsh/` and `fish/`.
//!
//! An example and not a command, so that the program on the card does not carry what is needed once.
#![allow(clippy::print_stderr)]

use std::path::{Path, PathBuf};
use std::process::ExitCode;

use clap_complete::Shell;

fn write(folder: &Path) -> std::io::Result<()> {
    let man = folder.join("man1");
    std::fs::create_dir_all(&man)?;
    // `Cli::global` options are spread to the subcommands when it is built.
    let mut command = tubwatch::cli::command().disable_help_subcommand(true);
    command.build();
    clap_mangen::generate_to(command, &man)?;
    for (shell, name) in [(Shell::Bash, "bash"), (Shell::Zsh, "zsh"), (Shell::Fish, "fish")] {
        let folder = folder.join(name);
        std::fs::create_dir_all(&folder)?;
        clap_complete::generate_to(shell, &mut tubwatch::cli::command(), "tubwatch", folder)?;
    }
    Ok(())
}

fn main() -> ExitCode {
    let Some(folder) = std::env::args_os().nth(1).map(PathBuf::from) else {
        eprintln!("name the folder to write into: cargo run --example pages -- FOLDER");
        return ExitCode::from(2);
    };
    match write(&folder) {
        Ok(()) => ExitCode::SUCCESS,
        Err(why) => {
            eprintln!("cannot write into {}: {why}", folder.display());
            ExitCode::FAILURE
        }
    }
}
