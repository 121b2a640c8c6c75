"""Commands that prove results: verify, bundle, sign."""

from __future__ import annotations

import json
import sys
from contextlib import ExitStack
from pathlib import Path
from typing import Literal

import click

from anechain.cli.shared import CAMPAIGN, TRUST, stop_on_signal
from anechain.errors import InputError

__all__ = ["bundle", "sign", "signed_by", "verify"]


@click.command()
@click.argument("path", type=click.Path(exists=True, path_type=Path))
@click.option("--verbose", is_flag=True, help="List intact files too.")
@click.option("--recompute", is_flag=True, help="Recompute all results in a temporary folder, and compare.")
@click.option(
    "--tolerance",
    type=click.FloatRange(min=0),
    default=1e-6,
    show_default=True,
    help="Difference in dB within which recomputed values count as the same.",
)
@click.option("--json", "as_json", is_flag=True, help="Print everything as JSON, for programs.")
@TRUST
def verify(path: Path, verbose: bool, recompute: bool, tolerance: float, as_json: bool, trust_importers: bool) -> None:
    """Hash all files again: which are intact, altered, missing, or not from this campaign.

    PATH is an output, a results folder, a campaign (its folder or its file), or a bundle.

    \b
    Exit status:
        0  all files are intact (and reproduced, with --recompute)
        1  differences
        2  nothing to verify, or the command is wrong

    \b
    Example:
        anechain verify campaign.yaml
        anechain verify results/figures/rowan-curves.png
        anechain verify campaign.yaml --recompute
        anechain verify halls.zip
    """
    from anechain.audit.recompute import recompute as recompute_results
    from anechain.audit.unpacked_bundle import check_folder, is_archive, is_bundle, unpacked
    from anechain.audit.verify import results_folder_of
    from anechain.audit.verify import verify as verify_path

    watched = sys.stderr.isatty()
    with ExitStack() as stack:
        try:
            folder = stack.enter_context(unpacked(path)) if is_archive(path) else path
        except InputError as input_error:
            click.echo(str(input_error), err=True)
            sys.exit(1)
        try:
            verification = verify_path(folder, _count_files if watched else None)
            results = results_folder_of(folder)
            if recompute and results is None:
                raise InputError.single(path, "is not in a campaign", fix="name the campaign to recompute it")
            altered, lacking = check_folder(folder) if folder.is_dir() and is_bundle(folder) else ([], [])
        except InputError as input_error:
            click.echo(str(input_error), err=True)
            sys.exit(2)
        if watched:
            click.echo("\r\033[K", nl=False, err=True)
        document = verification.as_json()
        intact = not (verification.not_intact or altered or lacking)
        bundle_problems = [str(problem) for problem in (*altered, *lacking)]
        document["bundle_problems"] = bundle_problems
        if not as_json:
            click.echo("\n".join([*bundle_problems, *verification.lines(verbose)]))
        if recompute and results is not None:
            with stop_on_signal("Stopped. Nothing was changed."):
                recomputation = recompute_results(results, tolerance, trust_importers, watched)
            document["recomputed"] = recomputation.as_json()
            intact = intact and recomputation.same
            if not as_json:
                click.echo("\n".join(recomputation.lines(verbose)))
    if as_json:
        click.echo(json.dumps(document, indent=1, ensure_ascii=False))
    sys.exit(0 if intact else 1)


@click.command()
@CAMPAIGN
@click.option(
    "-o",
    "--output",
    type=click.Path(path_type=Path),
    metavar="FILE.zip",
    help="The archive; named after the folder if absent.",
)
@click.option(
    "--raw",
    type=click.Choice(["copy", "hash"]),
    default="copy",
    show_default=True,
    help="Include the raw files, or only their hashes.",
)
def bundle(campaign: Path, output: Path | None, raw: Literal["copy", "hash"]) -> None:
    """Pack a finished campaign with its software into one archive, from which anyone can recompute it.

    The same campaign always has the same bytes.

    \b
    Example:
        anechain bundle campaign.yaml -o halls.zip
        anechain bundle campaign.yaml -o halls.zip --raw hash
    """
    from anechain.audit.bundle import write_bundle

    target = output or Path(f"{campaign.resolve().parent.name}.zip")
    summary = write_bundle(campaign, target, raw)
    click.echo(f"{target}: {summary.files} files, {summary.size / 1e6:.1f} MB\nsha256 {summary.sha256}")
    if summary.raw_left_out:
        click.echo(f"{summary.raw_left_out} raw files are not included: raw-files.sha256 has their hashes")


@click.command()
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--key", type=click.Path(path_type=Path), required=True, help="Your private key (Ed25519, OpenSSH).")
@click.option("--signature", type=click.Path(path_type=Path), help="File to write; FILE.sig if absent.")
def sign(file: Path, key: Path, signature: Path | None) -> None:
    """Sign a file, such as a bundle, with your private key.

    Others check it with `anechain signed-by` or with `ssh-keygen -Y verify`.

    \b
    Example:
        anechain sign halls.zip --key ~/.ssh/id_ed25519
    """
    from anechain.audit.sign import is_encrypted
    from anechain.audit.sign import sign as signed

    passphrase = click.prompt(f"Passphrase of {key}", hide_input=True, err=True) if is_encrypted(key) else None
    written, fingerprint = signed(file, key, signature, passphrase)
    click.echo(f"{written}: signed with key {fingerprint}")


@click.command()
@click.argument("file", type=click.Path(path_type=Path))
@click.option(
    "--signers", type=click.Path(path_type=Path), required=True, help="Your file of signers: NAME ssh-ed25519 KEY."
)
@click.option("--signature", type=click.Path(path_type=Path), help="The signature; FILE.sig if absent.")
def signed_by(file: Path, signers: Path, signature: Path | None) -> None:
    """Show who signed a file, and whether it is unaltered.

    \b
    Example:
        anechain signed-by halls.zip --signers signers
    """
    from anechain.audit.sign import signed_by as check_signature

    signer = check_signature(file, signers, signature)
    click.echo(f"{file}: unaltered, signed by {signer.name} (key {signer.fingerprint})")


def _count_files(number: int) -> None:
    if number % 50 == 0:
        click.echo(f"\r{number} files", nl=False, err=True)
