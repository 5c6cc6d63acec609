"""`lint-imports` as a module, so that it runs on the copy it is started in."""

from importlinter.cli import lint_imports_command

if __name__ == "__main__":
    lint_imports_command()
