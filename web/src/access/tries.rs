//! How often an address may be wrong: a few times at once, then once in a while. A token has 100 bits, so nobody guesses it
//! either way; this keeps those who try from filling the log and the processor.

use std::collections::BTreeMap;
use std::net::{IpAddr, Ipv6Addr};
use std::time::{Duration, Instant};

/// Wrong tries at once.
const AT_ONCE: u32 = 5;
/// One more is given back after this time.
const GIVEN_BACK_AFTER: Duration = Duration::from_secs(20);
/// Addresses that are remembered. Beyond, newcomers share one account.
const ADDRESSES_MAX: usize = 1_024;

/// The tries of all addresses.
#[derive(Default)]
pub struct Tries(pub(super) BTreeMap<IpAddr, Account>);

pub(super) struct Account {
    wrong: u32,
    since: Instant,
}

impl Account {
    /// Wrong tries that still count at `now`; moves `since` on by what was given back.
    fn settle(&mut self, now: Instant) {
        let passed = now.saturating_duration_since(self.since).as_secs();
        let given = u32::try_from(passed / GIVEN_BACK_AFTER.as_secs()).unwrap_or(u32::MAX);
        self.wrong = self.wrong.saturating_sub(given);
        self.since = if self.wrong == 0 {
            now
        } else {
            self.since + GIVEN_BACK_AFTER * given
        };
    }
}

impl Tries {
    /// Whether `peer` may try now; if not, after how long.
    pub fn may_try(&mut self, peer: IpAddr, now: Instant) -> Result<(), Duration> {
        let Some(account) = self.0.get_mut(&self.payer(peer)) else {
            return Ok(());
        };
        account.settle(now);
        if account.wrong < AT_ONCE {
            return Ok(());
        }
        Err((account.since + GIVEN_BACK_AFTER).saturating_duration_since(now))
    }

    /// A wrong one came from `peer`.
    pub fn wrong(&mut self, peer: IpAddr, now: Instant) {
        if self.0.len() >= ADDRESSES_MAX {
            self.0.retain(|_, account| {
                account.settle(now);
                account.wrong > 0
            });
        }
        let account = self.0.entry(self.payer(peer)).or_insert(Account {
            wrong: 0,
            since: now,
        });
        account.settle(now);
        account.wrong += 1;
    }

    /// Whose account it is: a whole network's for IPv6, where one machine has as many addresses as it likes.
    fn payer(&self, peer: IpAddr) -> IpAddr {
        let payer = match peer.to_canonical() {
            IpAddr::V6(v6) => {
                let [a, b, c, d, ..] = v6.segments();
                IpAddr::V6(Ipv6Addr::new(a, b, c, d, 0, 0, 0, 0))
            }
            v4 @ IpAddr::V4(_) => v4,
        };
        if self.0.len() >= ADDRESSES_MAX && !self.0.contains_key(&payer) {
            return IpAddr::V6(Ipv6Addr::UNSPECIFIED);
        }
        payer
    }
}
