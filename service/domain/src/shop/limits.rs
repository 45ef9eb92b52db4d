//! How much a declaration may hold. Each bound keeps one load within one message, one transaction and one screen
//! of a reader; all are far above what a shop needs.

/// The most sources of reports of a site.
pub const SOURCES_MAX: usize = 100;
/// The most people in one declaration.
pub const PEOPLE_MAX: usize = 1_000;
/// The most task sheets in one declaration.
pub const SHEETS_MAX: usize = 500;
/// The most machines in one declaration.
pub const MACHINES_MAX: usize = 10_000;
/// The most names that other systems give to one machine.
pub const ALIASES_MAX: usize = 20;
/// The most meters of a machine.
pub const METERS_MAX: usize = 20;
/// The most test points of a machine.
pub const POINTS_MAX: usize = 200;
/// The most task sheets of a machine.
pub const SHEETS_OF_MACHINE_MAX: usize = 20;
/// The most tasks of a machine, and of a sheet.
pub const TASKS_MAX: usize = 200;
/// The most checks of a machine, and of a sheet.
pub const CHECKS_MAX: usize = 100;
/// The most items on the shelf in one declaration.
pub const ITEMS_MAX: usize = 10_000;
/// The most items of a kit.
pub const KIT_MAX: usize = 50;
/// The most cautions of a task.
pub const CAUTIONS_MAX: usize = 20;
/// The most readings that a task asks for.
pub const READINGS_MAX: usize = 50;
/// The most tasks that one covers.
pub const COVERS_MAX: usize = 50;
/// The most statements of when tasks were last done, in one call.
pub const LAST_DONE_MAX: usize = 10_000;
/// The longest work that a task may state, in minutes.
pub const MINUTES_MAX: u32 = 10_000;
/// The longest place, caution or description, in characters.
pub const TEXT_MAX: usize = 400;
/// The longest name of an area, a fluid or a test point, in characters.
pub const SHORT_TEXT_MAX: usize = 120;
/// The longest family name, in characters.
pub const FAMILY_MAX: usize = 40;
/// The longest unit, in characters.
pub const UNIT_MAX: usize = 20;
/// The greatest rank of a source.
pub const RANK_MAX: u32 = 1_000;
/// The most violations that one answer lists: a reader mends the first ones and asks again.
pub const VIOLATIONS_MAX: usize = 100;
