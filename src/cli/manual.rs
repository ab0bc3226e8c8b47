//! `packside completions SHELL` and `packside man`: made from the definitions of the commands, so that
//! neither can say anything else than `--help` does.

use clap::{Args, Command};
use clap_complete::Shell;
use clap_mangen::Man;
use packside_profiles::Foreign;

use super::failure::{Failure, LOCAL, failure};
use super::{help, out};

/// Arguments of `completions`.
#[derive(Debug, Clone, Args)]
pub(crate) struct CompletionsArgs {
    /// The shell that is to complete what is typed
    #[arg(value_enum)]
    shell: Shell,
}

/// Arguments of `man`.
#[derive(Debug, Clone, Args)]
pub(crate) struct ManArgs {
    /// The command whose page is wanted, for example `profile show` [default: packside itself]
    #[arg(value_name = "COMMAND", num_args = 0..)]
    command: Vec<Foreign>,
}

/// Arguments of `help`.
#[derive(Debug, Clone, Args)]
pub(crate) struct HelpArgs {
    /// The command, for example `check` or `profile show` [default: packside itself]
    #[arg(value_name = "COMMAND", num_args = 0..)]
    pub(crate) command: Vec<Foreign>,
}

/// Prints the script that a shell reads.
pub(crate) fn completions(args: &CompletionsArgs, mut cli: Command) {
    let mut script = Vec::new();
    clap_complete::generate(args.shell, &mut cli, "packside", &mut script);
    out::result(&String::from_utf8_lossy(&script));
}

/// Prints a page in the format of the manual.
pub(crate) fn man(args: &ManArgs, mut cli: Command) -> Result<u8, Failure> {
    cli.build();
    let command = help::named("man", &cli, &args.command)?;
    let mut page = Vec::new();
    let rendered = Man::new(command.clone()).render(&mut page);
    rendered.map_err(|why| failure(LOCAL, "man", why.to_string(), None))?;
    out::result(&String::from_utf8_lossy(&page));
    Ok(0)
}
