"""A person at this terminal, for commands that are no run and so have no control socket."""

from __future__ import annotations

import click

from acq.runs.prompts import Answer, Prompt


class PersonAtTerminal:
    """Answers prompts by typing; the prompts go to standard error."""

    def answer(self, prompt: Prompt) -> Answer:
        """Raises click.Abort (the command stops) when the input ends."""
        if prompt.caution:
            click.echo(f"CAUTION  {prompt.caution}", err=True)
        default = prompt.choices[0] if prompt.choices else None
        text = click.prompt(prompt.text, default=default, err=True)
        return Answer(str(text), "typed")
