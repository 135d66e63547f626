//! The order of a season's notices: once a later one has gone out, no earlier one does.

use crate::season::NoticeKind;
use crate::store::error::{Conflict, StoreError};
use crate::store::notices::notice::{Notice, kind_of};
use crate::store::tx::Tx;

/// "Wash now" after "last days" would take back what people were told.
pub(super) async fn refuse_overtaken(tx: &mut Tx, notice: &Notice) -> Result<(), StoreError> {
    match overtaken_by(tx, notice).await? {
        Some(by) => Err(Conflict::NoticeOvertaken { id: notice.id.clone(), by }.into()),
        None => Ok(()),
    }
}

/// The later notice of its season that has gone out.
pub(super) async fn overtaken_by(tx: &mut Tx, notice: &Notice) -> Result<Option<NoticeKind>, StoreError> {
    let rows = sqlx::query(
        "SELECT kind FROM notices WHERE profile = $1 AND region_id = $2 AND season = $3 AND status = 'released'",
    )
    .bind(&notice.season.profile)
    .bind(notice.season.region.as_str())
    .bind(i64::from(notice.season.year))
    .fetch_all(tx.conn())
    .await?;
    let kinds = rows.iter().map(kind_of).collect::<Result<Vec<_>, _>>()?;
    Ok(kinds.into_iter().filter(|kind| kind.overtakes(notice.kind)).max())
}
