"""The play-along as a video: the practice page's board, in time with the track."""
