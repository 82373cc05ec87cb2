//! The thin binary: everything is in the library.

fn main() -> std::process::ExitCode {
    longthrow::cli::main()
}
