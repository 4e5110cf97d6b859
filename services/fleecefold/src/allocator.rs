//! What glibc's allocator does with large blocks, such as a photograph while it is decoded.
//!
//! Each time a large block is freed, glibc raises the size up to which it keeps blocks for itself, to 32 MiB at most
//! (`mallopt(3)`, `M_MMAP_THRESHOLD`). Twelve photographs of 12 megapixels then leave 59 MB behind; with a fixed size they leave 8.
//! The size is read from the environment when a process starts, so a service starts itself once more with it. It
//! remains the same process for whoever started it.

use std::env;
use std::ffi::OsString;
use std::process::Command;

/// `mallopt(3)`: from this size on, a block is given back to the system when it is freed.
const SETTING: &str = "MALLOC_MMAP_THRESHOLD_";
/// Far above what a request or a page of the database takes, far below a photograph.
const LARGE_BYTES: &str = "1048576";

/// Starts the program once more with the setting, unless somebody made one. Returns only if nothing is to be done, or if
/// it cannot be done: then the program goes on, and keeps more memory.
pub(crate) fn give_large_blocks_back() {
    if cfg!(all(target_os = "linux", target_env = "gnu")) && env::var_os(SETTING).is_none() {
        start_again();
    }
}

#[cfg(unix)]
fn start_again() {
    use std::os::unix::process::CommandExt;
    let mut arguments: Vec<OsString> = env::args_os().collect();
    if arguments.is_empty() {
        return;
    }
    let name = arguments.remove(0);
    let Ok(program) = env::current_exe() else { return };
    let error = Command::new(program).arg0(name).args(arguments).env(SETTING, LARGE_BYTES).exec();
    tracing::warn!(%error, "the allocator could not be set; photographs will leave more memory in use");
}

#[cfg(not(unix))]
fn start_again() {}
