"""The judging wing: from readings to findings. It opens no file and can run again and again."""
