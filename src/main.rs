use std::io::{ErrorKind, Write};
use std::panic::AssertUnwindSafe;
use std::process::ExitCode;

use clap::Parser;
use treebell::commands::{self, Cli, Command, TRY_AGAIN};

fn main() -> ExitCode {
    let cli = match Cli::try_parse() {
        Ok(cli) => cli,
        Err(why) => {
            // Help and version come this way too: output as that of any command. Of a fault the exit code tells all the same.
            let printed = why.print();
            if why.exit_code() == 0 {
                return match printed.and_then(|()| std::io::stdout().flush()) {
                    Err(why) if why.kind() != ErrorKind::BrokenPipe => {
                        tell(&format!("standard output cannot be written: {why}"));
                        ExitCode::from(1)
                    }
                    _ => ExitCode::SUCCESS,
                };
            }
            let faulty = if commands::means_bounce(std::env::args_os().skip(1)) { TRY_AGAIN } else { 2 };
            return ExitCode::from(faulty);
        }
    };
    // Whatever goes wrong, a mail server must not take a report for delivered or refused.
    let failed = if matches!(cli.command, Command::Bounce(_)) { TRY_AGAIN } else { 1 };
    let runtime = match tokio::runtime::Builder::new_multi_thread().enable_all().build() {
        Ok(runtime) => runtime,
        Err(why) => {
            tell(&format!("the async runtime could not start: {why}"));
            return ExitCode::from(failed);
        }
    };
    match std::panic::catch_unwind(AssertUnwindSafe(|| commands::run(&runtime, cli))) {
        Ok(Ok(())) => ExitCode::SUCCESS,
        Ok(Err(why)) => {
            tell(&why.to_string());
            why.exit_code()
        }
        // The panic has told itself.
        Err(_) => ExitCode::from(failed),
    }
}

/// A standard error that cannot be written ends nothing: the exit code still tells.
fn tell(why: &str) {
    let _ = writeln!(std::io::stderr(), "treebell: {why}");
}
