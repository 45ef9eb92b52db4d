//! Who may do what: the roles that a token holds, and the sites that it is for.

use crate::ids::SiteId;
use std::collections::BTreeSet;
use std::fmt;

/// What somebody is in the shop, as far as the service goes.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Role {
    /// A program that pushes run hours and planned shifts: the ERP.
    Reporter,
    /// Works on machines: closes orders, takes readings.
    Technician,
    /// Declares machines, rules and stock.
    Planner,
    /// Reads all, settles, undoes, audits, and alone lets a hazard be skipped.
    Manager,
    /// May do all.
    Admin,
}

impl Role {
    /// Every role.
    pub const ALL: [Role; 5] = [Role::Reporter, Role::Technician, Role::Planner, Role::Manager, Role::Admin];

    /// Its word.
    pub const fn word(self) -> &'static str {
        match self {
            Role::Reporter => "reporter",
            Role::Technician => "technician",
            Role::Planner => "planner",
            Role::Manager => "manager",
            Role::Admin => "admin",
        }
    }

    /// The role with this word.
    pub fn from_word(word: &str) -> Option<Role> {
        Role::ALL.into_iter().find(|role| role.word() == word)
    }
}

impl fmt::Display for Role {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.word())
    }
}

/// For which sites a token is.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Scope {
    /// For the whole installation: all its sites, those to come, and its own journal.
    Installation,
    /// For these sites.
    Sites(BTreeSet<SiteId>),
}

impl Scope {
    /// Whether a site, or for 0 the installation itself, lies within it.
    pub fn holds(&self, site: SiteId) -> bool {
        match self {
            Scope::Installation => true,
            Scope::Sites(sites) => sites.contains(&site),
        }
    }
}

/// What a token may do.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Access {
    roles: BTreeSet<Role>,
    /// For which sites.
    pub scope: Scope,
}

impl Access {
    /// These roles at these sites; none without a role.
    pub fn new(roles: impl IntoIterator<Item = Role>, scope: Scope) -> Option<Access> {
        let roles: BTreeSet<Role> = roles.into_iter().collect();
        (!roles.is_empty()).then_some(Access { roles, scope })
    }

    /// That of an administrator of the whole installation.
    pub fn admin() -> Access {
        Access { roles: BTreeSet::from([Role::Admin]), scope: Scope::Installation }
    }

    /// The roles, in their order.
    pub fn roles(&self) -> impl Iterator<Item = Role> {
        self.roles.iter().copied()
    }

    /// Whether one of its roles is among these; an administrator needs none of them.
    pub fn is_one_of(&self, roles: &[Role]) -> bool {
        self.roles.contains(&Role::Admin) || roles.iter().any(|role| self.roles.contains(role))
    }

    /// Whether it may decide what is a manager's to decide.
    pub fn decides(&self) -> bool {
        self.is_one_of(&[Role::Manager])
    }
}
