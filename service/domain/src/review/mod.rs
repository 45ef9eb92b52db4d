//! The review of intervals: what closings tell of a task's interval, and what to advise.
//!
//! [`mod@evidence`] makes lives of closings, [`advice`] weighs them, [`rule`] says which part of a rule is looked at and how the rule
//! reads after a change. Ages are in the unit of the clause that is looked at: hours, cycles or litres of a meter, or days.
//! Pure: who reads the closings, and who takes the advice, is not known here.

pub mod advice;
pub mod evidence;
pub mod rule;
pub mod told;

pub use advice::{Advice, Basis, Held, Terms, Why, advise};
pub use evidence::{Course, Evidence, Look, Since, evidence, since};
pub use told::{Told, Verdict, terms_of};
