//! The command-line program: arguments in, exit status out. All work is done in the library.

mod cli;

fn main() -> std::process::ExitCode {
    cli::run().into()
}
