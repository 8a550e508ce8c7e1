"""`strikewatch token …`: its arguments."""

import argparse
from typing import Any

ROLES = ("view", "act", "review")


def add(commands: Any, config: argparse.ArgumentParser) -> None:
    """Add the command to the others; `config` brings what all of them take."""
    token = commands.add_parser("token", help="who may use the HTTP interface")
    deeds = token.add_subparsers(required=True, metavar="WHAT")

    made = deeds.add_parser("add", parents=[config], help="make a token; it is printed this once")
    made.add_argument("name", metavar="NAME", help="whose it is: every action goes on record under it")
    made.add_argument("--role", choices=ROLES, default="view", help="what it is good for (default: view)")
    made.set_defaults(run=_add)

    listed = deeds.add_parser("list", parents=[config], help="whom tokens were made for")
    listed.set_defaults(run=_list)

    revoked = deeds.add_parser("revoke", parents=[config], help="make a token worthless, at once")
    revoked.add_argument("name", metavar="NAME")
    revoked.set_defaults(run=_revoke)


def _add(options: argparse.Namespace) -> int:
    from strikewatch.cli.commands import token as token_command

    return token_command.add(options)


def _list(options: argparse.Namespace) -> int:
    from strikewatch.cli.commands import token as token_command

    return token_command.show_list(options)


def _revoke(options: argparse.Namespace) -> int:
    from strikewatch.cli.commands import token as token_command

    return token_command.revoke(options)
