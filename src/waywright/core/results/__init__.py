"""From a solution to what a person asked: verdicts, who agrees with whom, how faces lie, what a lay-up should show."""
