//! The service: gRPC in front of a store.
//!
//! * [`wire`]: messages to domain types and back.
//! * [`rpc`]: one file per service; each call decodes, asks the store once, and encodes.
//! * [`status`]: the only place that names status codes.
//! * [`gate`], [`auth`], [`policy`] and [`limits`]: what every call passes: its token, its role, what its caller may ask for at
//!   once, its deadline, its line in the log.
//! * [`mod@line`], [`meters`]: what is left of a call when it has ended: a line in the log, and figures for operators.
//! * [`pins`]: PINs on their way in.
//! * [`web`]: the HTTP port, for those who speak no gRPC.
//! * [`ics`]: due calendars in the form that other calendars read.
//! * [`certificate`], [`oidc`], [`identity`]: what stands in a token's place.
//! * [`serve`]: the one way to run it all, used by the program and by tests.
//! * [`notary`], [`tokens`], [`tls`]: signed checkpoints of the journals, `fettlerd token`, encryption.
//! * [`vault`]: backups, checks and restores.
//! * [`log`], [`traces`], [`settings`]: how it is logged and traced, and where settings come from.
//! * [`folder`], [`upkeep`], [`clock`], [`demo`], [`config`], [`notify`]: the data folder, the work done between calls,
//!   time, the invented shop, the command line, and what the service manager is told.
//!
//! Nothing here knows SQL, and nothing but [`clock`] reads the time.

pub mod auth;
pub mod certificate;
pub mod clock;
pub mod config;
pub mod demo;
pub mod folder;
pub mod gate;
pub mod ics;
pub mod identity;
pub mod limits;
pub mod line;
pub mod log;
pub mod meters;
pub mod notary;
pub mod notify;
pub mod oidc;
pub mod pins;
pub mod policy;
pub mod rpc;
pub mod serve;
pub mod settings;
pub mod status;
pub mod tls;
pub mod tokens;
pub mod traces;
pub mod upkeep;
pub mod vault;
pub mod web;
pub mod wire;
