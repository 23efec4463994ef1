"""`bridgebench certificate RUN -o FILE`: the certificate of a recorded run."""

from __future__ import annotations

from pathlib import Path

import click

from acq.desk.exit_codes import ExitCode
from acq.desk.person import reason_given


@click.command()
@click.argument("run")
@click.option(
    "-o",
    "--output",
    type=click.Path(path_type=Path, dir_okay=False),
    help="PDF file; the certificate's number here by default.",
)
@click.option("--approved-by", "approver", help="Who approves; the workshop's setting by default.")
@click.option(
    "--amend",
    "because",
    callback=reason_given,
    help="Issue an amended certificate; say what changed and why.",
)
@click.option("--records", "records_url", help="Database address; or BRIDGEBENCH_RECORDS.")
def certificate(
    run: str,
    output: Path | None,
    approver: str | None,
    because: str | None,
    records_url: str | None,
) -> ExitCode:
    """Write the certificate of RUN (its number or id); the same run gives the same bytes."""
    from acq.certificates.certificate import certificate_of
    from acq.desk.writing import write_whole
    from acq.records.opening import existing, first_that_knows

    with existing(records_url) as opened:
        records, recorded = first_that_knows(opened, lambda each: each.run(run))
        pdf = certificate_of(records, recorded, approver=approver, because=because)
        issued = records.issued_for(recorded.id)
    number = issued.issue.number if issued else recorded.number
    path = output or Path(f"{number}.pdf")
    write_whole(path, pdf)
    simulated = " (SIMULATED)" if recorded.simulated else ""
    click.echo(f"certificate {number}{simulated}: {path}", err=True)
    return ExitCode.DONE
