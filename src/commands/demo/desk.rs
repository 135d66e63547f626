//! `treebell demo --desk`: practice at the staff's desk, on this machine alone.

use std::net::SocketAddr;
use std::sync::Arc;

use futures::FutureExt;
use futures::future::BoxFuture;

use super::{Demo, SEED, failed, making};
use crate::commands::error::{CommandError, with_causes};
use crate::commands::format::print_out;
use crate::commands::run::told_to_stop;
use crate::demo::practice::{Pages, PracticeDesk, Wanted};
use crate::service::app::App;
use crate::service::practice::Practice;
use crate::web::{self, Site, server};

/// Where it listens unless it is told otherwise.
const ADDRESS: SocketAddr = SocketAddr::new(std::net::IpAddr::V4(std::net::Ipv4Addr::LOCALHOST), 8480);

/// # Errors
/// An address that other machines reach or that is in use, a folder that is somebody else's, a store that is none for practice.
pub(super) async fn run(args: Demo) -> Result<(), CommandError> {
    let asked = args.listen.unwrap_or(ADDRESS);
    if !asked.ip().to_canonical().is_loopback() {
        return Err(CommandError::Usage(format!(
            "--listen {asked}: practice is for this machine alone, since its password stands on the screen: give an address such as {ADDRESS}"
        )));
    }
    let folder = args.messages.unwrap_or_else(|| "treebell-practice".into());
    if folder.join("treebell.sqlite").exists() && (args.season.is_some() || args.seed.is_some()) {
        return Err(CommandError::Usage(format!(
            "--season, --seed: a practice lies in `{}` already and goes on as it is; begin again at the desk, or name another folder",
            folder.display()
        )));
    }
    // Before anything is made: an address in use should not cost a season.
    let listener = server::listen(asked).await.map_err(|why| CommandError::Usage(why.to_string()))?;
    let address = listener.local_addr().map_err(|why| CommandError::Failed(why.to_string()))?;
    let wanted = Wanted { folder, season: args.season, seed: args.seed.unwrap_or(SEED), address };
    let (bar, shown) = making();
    let opened = PracticeDesk::open(&wanted, Box::new(pages), shown).await;
    bar.finish_and_clear();
    let desk = opened.map_err(failed)?;
    print_out(&welcome(&desk, address))?;
    let stop = told_to_stop()?.shared();
    tokio::join!(server::serve(listener, desk.router(), stop.clone()), desk.run(stop));
    desk.close().await;
    Ok(())
}

/// The pages of one invented season.
fn pages(app: App, practice: Arc<dyn Practice>) -> Result<Pages, String> {
    let site = Site::of_practice(app, practice).map_err(|why| with_causes(&why))?;
    site.warm();
    let router = web::router(&site);
    let rest = move || -> BoxFuture<'static, ()> {
        let site = site.clone();
        async move { site.rest().await }.boxed()
    };
    Ok(Pages { router, rest: Box::new(rest) })
}

fn welcome(desk: &PracticeDesk, address: SocketAddr) -> String {
    let program = std::env::args().next().unwrap_or_else(|| "treebell".into());
    let (settings, store) = (desk.settings(), desk.store_file());
    let mut text = format!("Practise at http://{address}/desk  (Ctrl-C ends it; nothing leaves this machine)\n");
    if let Some(account) = desk.account() {
        text += &format!(
            "  account:        {}\n  password:       {}\n  second factor:  {}\n  its code stands on the page that asks for it; an \
             authenticator app shows the same\n",
            account.name, account.password, account.spelled
        );
    }
    text += &format!(
        "Use Chrome, Edge or Firefox: Safari keeps nobody signed in at an http:// address.\n\
         The season is kept in {}; the other commands work on it, such as\n  {program} --config {} notices\n",
        store.display(),
        settings.display()
    );
    text
}
