//! Tokens by which programs ask the desk, and what each may do. Pure.
//!
//! A program never lets a message out: nothing that a token opens releases, holds, calls off or confirms.

use serde::Serialize;

/// What a program may do. Each scope holds the ones before it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, clap::ValueEnum)]
#[serde(rename_all = "kebab-case")]
pub enum Scope {
    /// Read where the regions stand.
    See,
    /// Also enter field reports, which wait for a word of staff.
    Report,
}

impl Scope {
    pub const ALL: [Scope; 2] = [Scope::See, Scope::Report];

    /// As the store keeps it.
    pub fn name(self) -> &'static str {
        match self {
            Scope::See => "see",
            Scope::Report => "report",
        }
    }

    pub fn parse(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|scope| scope.name() == name)
    }

    pub fn holds(self, wanted: Scope) -> bool {
        self >= wanted
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_scope_holds_those_before_it_and_is_read_as_it_is_kept() {
        assert!(Scope::Report.holds(Scope::See) && Scope::See.holds(Scope::See) && !Scope::See.holds(Scope::Report));
        assert!(Scope::ALL.into_iter().all(|scope| Scope::parse(scope.name()) == Some(scope)));
        assert_eq!(Scope::parse("release"), None);
    }
}
