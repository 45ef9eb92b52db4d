//! Remarks of figures: how many there are of something, and what is missing.

use std::collections::BTreeSet;

/// The most names that are given of what is missing.
const MISSING_MAX: usize = 20;

/// A remark that says how many there are of something, where there are any.
pub(super) fn said(count: usize, one: &str, many: &str) -> Option<String> {
    match count {
        0 => None,
        1 => Some(format!("1 {one}")),
        n => Some(format!("{n} {many}")),
    }
}

/// A remark that names what is missing, the first of them.
pub(super) fn missing<T: ToString>(what: &str, names: impl Iterator<Item = T>) -> Vec<String> {
    let names: BTreeSet<String> = names.map(|name| name.to_string()).collect();
    if names.is_empty() {
        return Vec::new();
    }
    let shown: Vec<&str> = names.iter().take(MISSING_MAX).map(String::as_str).collect();
    let more = if names.len() > MISSING_MAX {
        format!(" and {} more", names.len() - MISSING_MAX)
    } else {
        String::new()
    };
    vec![format!("{what} {}{more}", shown.join(", "))]
}
