//! The companion's entry point: parses nothing itself, calls the library, exits with its code.

fn main() -> std::process::ExitCode {
    drawdown::cli::main()
}
