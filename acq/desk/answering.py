"""A person at this terminal, for commands that are no run and so have no control socket."""

from __future__ import annotations

import click

from acq.runs.prompts import Answer, Prompt, chosen, not_a_choice


class PersonAtTerminal:
    """Answers prompts by typing; the prompts go to standard error."""

    def answer(self, prompt: Prompt) -> Answer:
        """Raises click.Abort (the command stops) when the input ends."""
        self._caution(prompt)
        default = prompt.choices[0] if prompt.choices else None
        while True:
            text = str(click.prompt(prompt.text, default=default, err=True))
            answer = chosen(text, prompt.choices) if prompt.choices else text
            if answer is not None:
                return Answer(answer, "typed")
            click.echo(f"  {not_a_choice(text, prompt.choices)}", err=True)

    def tell(self, prompt: Prompt) -> None:
        """Only show it: nobody answers."""
        self._caution(prompt)
        click.echo(prompt.text, err=True)

    @staticmethod
    def _caution(prompt: Prompt) -> None:
        if prompt.caution:
            click.echo(f"CAUTION  {prompt.caution}", err=True)
