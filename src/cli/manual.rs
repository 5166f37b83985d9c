//! `drawdown man` and `drawdown completions`: manual pages and shell completions, made from what `--help` says.
//!
//! Only renders the commands' own descriptions; says nothing that they do not say.

use std::io::Write;
use std::path::{Path, PathBuf};

use clap_complete::Shell;
use clap_mangen::Man;

use super::{Outcome, say};
use crate::document::Fault;
use crate::store::disk;

#[derive(clap::Args)]
#[command(after_help = "Examples:\n  \
    drawdown man | man -l -\n  \
    drawdown man --into ~/.local/share/man/man1\n  \
    sudo drawdown man --into /usr/local/share/man/man1")]
pub struct ManArguments {
    /// The folder that gets a page for each command and one for the daemon, made if need be; without it, the first page is printed
    #[arg(long, value_name = "FOLDER")]
    into: Option<PathBuf>,
}

#[derive(clap::Args)]
#[command(after_help = "Examples:\n  \
    drawdown completions bash > ~/.local/share/bash-completion/completions/drawdown\n  \
    drawdown completions zsh > ~/.zfunc/_drawdown\n  \
    drawdown completions fish > ~/.config/fish/completions/drawdown.fish")]
pub struct CompletionsArguments {
    /// Which shell
    #[arg(value_name = "SHELL")]
    shell: Shell,
}

pub fn man(arguments: &ManArguments) -> Outcome {
    let Some(folder) = &arguments.into else {
        return printed(|out| Man::new(super::command()).render(out));
    };
    match pages(folder) {
        Ok(()) => Outcome::Done,
        Err(fault) => say::not_done(&fault),
    }
}

/// Writes every page, whole or not at all; pages of an earlier version are replaced.
fn pages(folder: &Path) -> Result<(), Fault> {
    disk::create_folder(folder)?;
    for program in [super::command(), crate::daemon::command()] {
        let mut program = program.disable_help_subcommand(true);
        // Names and versions of subcommands are only known once it is built.
        program.build();
        page(folder, &program)?;
    }
    Ok(())
}

fn page(folder: &Path, command: &clap::Command) -> Result<(), Fault> {
    let man = Man::new(command.clone());
    let path = folder.join(man.get_filename());
    let mut text = Vec::new();
    man.render(&mut text).map_err(|error| Fault::io(&path, "write", &error))?;
    disk::replace(&path, &text)?;
    command.get_subcommands().filter(|command| !command.is_hide_set()).try_for_each(|command| page(folder, command))
}

pub fn completions(arguments: &CompletionsArguments) -> Outcome {
    printed(|out| {
        let mut text = Vec::new();
        clap_complete::generate(arguments.shell, &mut super::command(), "drawdown", &mut text);
        out.write_all(&text)
    })
}

fn printed(render: impl FnOnce(&mut dyn Write) -> std::io::Result<()>) -> Outcome {
    let mut out = std::io::stdout().lock();
    match render(&mut out).and_then(|()| out.flush()) {
        Ok(()) => Outcome::Done,
        Err(error) => say::not_done(&Fault::whole("standard output", format!("cannot write: {error}"))),
    }
}
