//! What the system knows of this process. Where it does not tell, as elsewhere than on Linux, nothing is told.

use std::path::Path;

/// What a process takes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Taken {
    /// Memory that is there for it now, in bytes.
    pub(super) resident_bytes: u64,
    /// Time of processors, its own and the system's for it, in seconds.
    pub(super) cpu_seconds: f64,
    /// Open files and sockets.
    pub(super) open_files: u64,
    /// How many may be open; none for no limit.
    pub(super) open_files_max: Option<u64>,
}

/// What this process takes now.
#[cfg(target_os = "linux")]
pub(super) fn taken() -> Option<Taken> {
    let read = |file: &str| std::fs::read_to_string(Path::new("/proc/self").join(file)).ok();
    let (stat, statm, limits) = (read("stat")?, read("statm")?, read("limits")?);
    let open_files = std::fs::read_dir("/proc/self/fd").ok()?.count();
    let page_bytes = u64::try_from(rustix::param::page_size()).ok()?;
    Some(Taken {
        resident_bytes: statm.split(' ').nth(1)?.parse::<u64>().ok()? * page_bytes,
        cpu_seconds: ticks(&stat)? / f64::from(u32::try_from(rustix::param::clock_ticks_per_second()).ok()?),
        // The folder itself was open while it was counted.
        open_files: u64::try_from(open_files).ok()?.saturating_sub(1),
        open_files_max: limit(&limits),
    })
}

#[cfg(not(target_os = "linux"))]
pub(super) fn taken() -> Option<Taken> {
    None
}

/// Ticks of the clock in a line of proc(5): the 14th and 15th field, of which the second may hold blanks within brackets.
fn ticks(stat: &str) -> Option<f64> {
    let (_, after) = stat.rsplit_once(')')?;
    let mut fields = after.split_ascii_whitespace().skip(11);
    let (own, system): (u32, u32) = (fields.next()?.parse().ok()?, fields.next()?.parse().ok()?);
    Some(f64::from(own) + f64::from(system))
}

/// How many files may be open.
fn limit(limits: &str) -> Option<u64> {
    let line = limits.lines().find_map(|line| line.strip_prefix("Max open files"))?;
    line.split_ascii_whitespace().next()?.parse().ok()
}

/// How many bytes are free to us on the disk of a folder, and how many it has.
#[cfg(unix)]
pub(super) fn disk(folder: &Path) -> Option<(u64, u64)> {
    let told = rustix::fs::statvfs(folder).ok()?;
    Some((told.f_bavail.saturating_mul(told.f_frsize), told.f_blocks.saturating_mul(told.f_frsize)))
}

#[cfg(not(unix))]
pub(super) fn disk(_: &Path) -> Option<(u64, u64)> {
    None
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_of_proc_are_read_by_their_fields() {
        // The second field is the program's name, whatever it holds (proc(5), /proc/pid/stat).
        let stat = "7 (a b) c) S 1 7 7 0 -1 4194560 100 0 0 0 120 30 0 0 20 0 9 0 1000 1 1";
        assert_eq!(ticks(stat), Some(150.0));
        let limits = "Limit   Soft Limit  Hard Limit  Units\nMax open files  1024  4096  files\n";
        assert_eq!(limit(limits), Some(1_024));
        assert_eq!(limit("Max open files            unlimited unlimited files\n"), None);
    }

    #[test]
    #[cfg(target_os = "linux")]
    fn this_process_takes_something() {
        let file = std::fs::File::open("/proc/self/stat").expect("a file");
        let with = taken().expect("told");
        drop(file);
        assert!(with.resident_bytes > 1 << 20 && with.open_files >= 3, "{with:?}");
        let (free, all) = disk(Path::new("/")).expect("a disk");
        assert!(free <= all && all > 0);
    }
}
