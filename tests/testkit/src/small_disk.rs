//! A disk that is soon full: a few megabytes of memory, mounted. Only root can mount it; for others, only
//! `begin.rs` tests what happens on a full disk.

use std::fs::{self, File};
use std::io::Write;
use std::path::Path;
use std::process::Command;

#[derive(Debug)]
pub struct SmallDisk(tempfile::TempDir);

impl SmallDisk {
    pub fn mount(megabytes: u32) -> Option<Self> {
        let folder = tempfile::tempdir().expect("a folder");
        let size = format!("size={megabytes}m");
        let done =
            Command::new("mount").args(["-t", "tmpfs", "-o", &size, "tmpfs"]).arg(folder.path()).output();
        if done.is_ok_and(|done| done.status.success()) {
            return Some(Self(folder));
        }
        eprintln!("no small disk can be mounted here; only root can");
        None
    }

    pub fn path(&self) -> &Path {
        self.0.path()
    }

    /// Writes a file that leaves only this many bytes free.
    pub fn fill(&self, but: usize) {
        let mut file = File::create(self.path().join("filler")).expect("a file");
        file.write_all(&vec![7; self.free().saturating_sub(but + (1 << 16))]).expect("there is room");
        // The last bytes do not fill whole blocks.
        while but == 0 && file.write_all(&[7; 512]).is_ok() {}
    }

    /// Bytes that are free.
    pub fn free(&self) -> usize {
        let told =
            Command::new("df").args(["--output=avail", "-B1"]).arg(self.path()).output().expect("df answers");
        let words = String::from_utf8_lossy(&told.stdout).into_owned();
        words.split_whitespace().last().and_then(|bytes| bytes.parse().ok()).expect("a number of bytes")
    }

    /// Makes it read-only from now on.
    pub fn lock(&self) {
        let done = Command::new("mount").args(["-o", "remount,ro"]).arg(self.path()).status();
        assert!(done.is_ok_and(|status| status.success()), "the disk is mounted anew");
    }

    pub fn make_room(&self) {
        fs::remove_file(self.path().join("filler")).expect("the filler goes");
    }
}

impl Drop for SmallDisk {
    fn drop(&mut self) {
        let _ = Command::new("umount").arg("-l").arg(self.path()).status();
    }
}
