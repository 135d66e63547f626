//! Which records each turn of a cross-validation leaves out.

use std::collections::BTreeSet;

use super::observations::SiteYear;

/// What was left out in one turn of a cross-validation.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum LeftOut {
    Year(i32),
    Site(String),
}

#[derive(Clone, Copy, PartialEq)]
pub(super) enum FoldKind {
    Year,
    Site,
}

/// Which site-years each fold leaves out. Fold 0 leaves out nothing.
pub(super) struct Folds {
    pub(super) left_out: Vec<(FoldKind, LeftOut)>,
    /// By site-year: the folds that leave it out.
    pub(super) of: Vec<Vec<usize>>,
}

impl Folds {
    pub(super) fn none(site_years: usize) -> Self {
        Self { left_out: Vec::new(), of: vec![Vec::new(); site_years] }
    }

    /// A fold for each year and each site, where there are two or more.
    pub(super) fn of(site_years: &[SiteYear]) -> Self {
        let years: BTreeSet<i32> = site_years.iter().map(|of| of.year).collect();
        let sites: BTreeSet<&str> = site_years.iter().map(|of| of.site.as_str()).collect();
        let years = years.iter().filter(|_| years.len() > 1).map(|year| (FoldKind::Year, LeftOut::Year(*year)));
        let sites =
            sites.iter().filter(|_| sites.len() > 1).map(|site| (FoldKind::Site, LeftOut::Site((*site).to_owned())));
        let left_out: Vec<(FoldKind, LeftOut)> = years.chain(sites).collect();
        let of = site_years
            .iter()
            .map(|site_year| {
                let is_out = |(_, (_, out)): &(usize, &(FoldKind, LeftOut))| out.holds(site_year);
                left_out.iter().enumerate().filter(is_out).map(|(nth, _)| nth + 1).collect()
            })
            .collect();
        Self { left_out, of }
    }

    pub(super) fn count(&self) -> usize {
        self.left_out.len() + 1
    }

    /// Folds of one kind with their numbers, `None` where there are none.
    pub(super) fn of_kind(&self, kind: FoldKind) -> Option<Vec<(usize, &LeftOut)>> {
        let of_kind = self.left_out.iter().enumerate().filter(|(_, (of, _))| *of == kind);
        let list: Vec<_> = of_kind.map(|(nth, (_, out))| (nth + 1, out)).collect();
        (!list.is_empty()).then_some(list)
    }
}

impl LeftOut {
    pub(super) fn holds(&self, site_year: &SiteYear) -> bool {
        match self {
            LeftOut::Year(year) => site_year.year == *year,
            LeftOut::Site(site) => site_year.site == *site,
        }
    }
}
