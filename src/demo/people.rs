//! Invented subscribers, made by seed: an id, a language, ZIP codes and addresses, and no names.

use crate::demo::dice;
use crate::demo::dice::Dice;
use crate::demo::state::State;
use crate::people::Language;
use crate::region::Zip;

/// One invented person with trees. At least one of the two addresses is there.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Person {
    /// `p0001` and on.
    pub id: String,
    pub language: Language,
    /// One ZIP code, or two of different regions.
    pub zips: Vec<Zip>,
    /// At example.org.
    pub email: Option<String>,
    /// +1 505 555 0100 to 0199 in E.164, each once.
    pub phone: Option<String>,
}

/// The state's people. The same seed gives the same people.
pub fn make(state: &State, seed: u64) -> Vec<Person> {
    let mut dice = Dice::new(seed, dice::PEOPLE);
    let weights: Vec<u32> = state.regions.iter().map(|region| region.people).collect();
    let count = state.people.count;
    // Who texts and who has a second home is drawn without putting back, so that the numbers come out exactly.
    let texting = dice.some_of(count, state.people.by_text);
    let both = dice.some_of(state.people.by_text, state.people.by_both);
    let second = dice.some_of(count, state.people.second_home);

    let mut texting_so_far = 0;
    (0..count)
        .map(|at| {
            let home = dice.weighted(&weights);
            let mut zips = vec![zip_in(state, home, &mut dice)];
            let language = if dice.share() < state.regions[home].spanish { Language::Es } else { Language::En };
            if second[at as usize] && state.regions.len() > 1 {
                let other = (home + 1 + dice.below(state.regions.len() as u32 - 1) as usize) % state.regions.len();
                zips.push(zip_in(state, other, &mut dice));
            }
            let number = at + 1;
            let texts = texting[at as usize];
            let email = !texts || both[texting_so_far as usize];
            let phone = texts.then(|| format!("+1505555{:04}", 100 + texting_so_far));
            if texts {
                texting_so_far += 1;
            }
            Person {
                id: format!("p{number:04}"),
                language,
                zips,
                email: email.then(|| format!("p{number:04}@example.org")),
                phone,
            }
        })
        .collect()
}

fn zip_in(state: &State, region: usize, dice: &mut Dice) -> Zip {
    let zips = &state.regions[region].region.zips;
    zips[dice.below(zips.len() as u32) as usize].clone()
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use super::*;

    #[test]
    fn people_are_as_many_as_asked_for_and_no_address_stands_twice() {
        let state = State::built_in().unwrap();
        let people = make(&state, 7);
        assert_eq!(people.len(), state.people.count as usize);
        let phones: BTreeSet<_> = people.iter().filter_map(|person| person.phone.clone()).collect();
        let emails: BTreeSet<_> = people.iter().filter_map(|person| person.email.clone()).collect();
        assert_eq!(phones.len(), state.people.by_text as usize);
        assert_eq!(emails.len(), (state.people.count - state.people.by_text + state.people.by_both) as usize);
        assert!(phones.iter().all(|phone| ("+15055550100"..="+15055550199").contains(&phone.as_str())), "{phones:?}");
        assert!(emails.iter().all(|email| email.ends_with("@example.org")));
        assert!(people.iter().all(|person| person.phone.is_some() || person.email.is_some()));
        assert_eq!(people.iter().filter(|person| person.zips.len() == 2).count(), state.people.second_home as usize);
    }

    #[test]
    fn every_region_has_people_of_both_languages_and_second_homes_lie_elsewhere() {
        let state = State::built_in().unwrap();
        let people = make(&state, 7);
        let home = |zip: &Zip| state.regions.iter().position(|region| region.region.zips.contains(zip)).unwrap();
        for (at, region) in state.regions.iter().enumerate() {
            for language in Language::ALL {
                assert!(
                    people.iter().any(|person| home(&person.zips[0]) == at && person.language == language),
                    "{} {language:?}",
                    region.region.id
                );
            }
        }
        assert!(people.iter().filter(|person| person.zips.len() == 2).all(|p| home(&p.zips[0]) != home(&p.zips[1])));
    }

    #[test]
    fn a_seed_is_a_state_full_of_people() {
        let state = State::built_in().unwrap();
        assert_eq!(make(&state, 7), make(&state, 7));
        assert_ne!(make(&state, 7), make(&state, 8));
    }
}
