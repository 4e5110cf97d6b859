//! How many files, and therefore connections, the system lets the program open.

use rustix::process::{Resource, Rlimit, getrlimit, setrlimit};

/// What we ask for: a thousand connections, and the database beside them.
const WANTED: u64 = 4096;
/// Kept for the database, photographs and online shops. The pools of either engine hold some thirty files and
/// connections, and a form with photographs opens one after the other.
const RESERVED: u64 = 128;
/// Even where the system allows next to nothing, the counter must get in.
const AT_LEAST: u64 = 16;

/// Raises the limit as far as allowed, and returns how many connections it leaves room for.
pub(crate) fn room_for_connections() -> usize {
    let given = getrlimit(Resource::Nofile);
    let hard = given.maximum.unwrap_or(WANTED);
    let soft = given.current.unwrap_or(WANTED);
    let wanted = WANTED.min(hard).max(soft);
    let raised = Rlimit { current: Some(wanted), maximum: given.maximum };
    let files = match setrlimit(Resource::Nofile, raised) {
        Ok(()) => wanted,
        Err(error) => {
            tracing::debug!(%error, "no more files can be opened than the system gives by itself");
            soft
        }
    };
    usize::try_from(connections(files)).unwrap_or(usize::MAX)
}

fn connections(files: u64) -> u64 {
    files.saturating_sub(RESERVED).max(AT_LEAST)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_database_keeps_its_files() {
        let check = |files: u64, expected: u64| assert_eq!(connections(files), expected, "{files}");
        check(4096, 3968);
        check(1024, 896);
        check(150, 22);
        check(100, 16);
        check(0, 16);
    }
}
