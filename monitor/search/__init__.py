"""The threshold search: several levels in one recording, chosen while it runs. Pure: values in, values out."""
