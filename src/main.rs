//! The `tubwatch` program: hands over to the commands.

fn main() {}
