//! `longthrow generate`: manual pages and shell completions, made from the same words as `--help`.
//!
//! Not in the help: whoever makes a package calls it.

use super::{Arguments, complain, exit};
use clap::{Args, Command, CommandFactory};
use clap_complete::{Shell, generate_to};
use std::io;
use std::path::{Path, PathBuf};

/// Manual pages and shell completions, for whoever makes a package.
#[derive(Debug, Args)]
pub(super) struct Generate {
    /// Where to: folders `man` and `completions` are made in it
    #[arg(long, value_name = "FOLDER")]
    out: PathBuf,
}

impl Generate {
    pub(super) fn run(&self) -> u8 {
        match write_all(&self.out) {
            Ok(()) => exit::FINE,
            Err(error) => {
                complain(&format!("{}: {error}", self.out.display()));
                exit::COULD_NOT_RUN
            }
        }
    }
}

fn write_all(out: &Path) -> io::Result<()> {
    let (man, completions) = (out.join("man"), out.join("completions"));
    for folder in [&man, &completions] {
        std::fs::create_dir_all(folder)?;
    }
    for shell in [Shell::Bash, Shell::Zsh, Shell::Fish] {
        generate_to(shell, &mut without_hidden(), "longthrow", &completions)?;
    }
    clap_mangen::generate_to(without_hidden(), &man)
}

/// The command line without what only the program itself calls. `longthrow help` is no job of its own either.
fn without_hidden() -> Command {
    let whole = Arguments::command();
    let shown: Vec<Command> = whole.get_subcommands().filter(|sub| !sub.is_hide_set()).cloned().collect();
    let about = whole.get_about().cloned().unwrap_or_default();
    let command = Command::new("longthrow").version(env!("CARGO_PKG_VERSION")).about(about);
    command.subcommand_required(true).disable_help_subcommand(true).subcommands(shown)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_subcommand_has_a_page_and_a_completion_and_hidden_ones_have_none() {
        let folder = tempfile::tempdir().expect("a folder");
        write_all(folder.path()).expect("written");
        let read = |name: &str| std::fs::read_to_string(folder.path().join(name)).expect(name);
        assert!(read("man/longthrow.1").contains("longthrow"));
        let bash = read("completions/longthrow.bash");
        for sub in Arguments::command().get_subcommands() {
            let page = folder.path().join(format!("man/longthrow-{}.1", sub.get_name()));
            assert_eq!(page.exists(), !sub.is_hide_set(), "{}", page.display());
            assert_eq!(bash.contains(&format!("longthrow,{})", sub.get_name())), !sub.is_hide_set(), "{sub}");
        }
        assert!(
            read("completions/_longthrow").contains("--profile")
                && read("completions/longthrow.fish").contains("profile")
        );
    }
}
