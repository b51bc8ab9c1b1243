"""What an instrument is: plain data, files, fingerings, pitch and temperament, starting models."""
