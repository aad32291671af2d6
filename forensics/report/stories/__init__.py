"""The one annotated picture that tells a case's story on page one, drawn twice: for a sheet and for a narrow screen."""
