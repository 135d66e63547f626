use std::process::ExitCode;

use clap::Parser;
use treebell::commands::{self, Cli};

fn main() -> ExitCode {
    let cli = Cli::parse();
    let runtime = match tokio::runtime::Builder::new_multi_thread().enable_all().build() {
        Ok(runtime) => runtime,
        Err(why) => {
            eprintln!("treebell: the async runtime could not start: {why}");
            return ExitCode::from(1);
        }
    };
    match runtime.block_on(commands::run(cli)) {
        Ok(()) => ExitCode::SUCCESS,
        Err(why) => {
            eprintln!("treebell: {why}");
            why.exit_code()
        }
    }
}
